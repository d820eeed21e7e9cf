"""What every form of the set-up does: a version, groups of fields, questions back, and both sides of a conflict."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, ClassVar

from django import forms

from linelog.calc.errors import CalcError
from linelog.calc.units import Unit, offset_from_tir, tir_from_offset
from linelog.plant.forms.fields import Asked, LimitField
from linelog.web.errors import Conflict, Refused
from linelog.web.units import LengthField, NumberField, ask_in, show_um

OFFSET, TIR = "offset", "tir"
LIMIT_IS = ((OFFSET, "an offset"), (TIR, "a TIR (full indicator reading)"))
LARGEST_ID = 2**31 - 1


def other_words(value_um: float | None, given_as: str, unit: Unit) -> str:
    """Say what a limit is when it is told the other way: an offset as TIR, a TIR as offset."""
    if value_um is None or value_um < 0:
        return ""
    if given_as == TIR:
        return f"That is an offset of {show_um(offset_from_tir(value_um), unit, with_unit=True)}."
    return f"That is a full indicator reading (TIR) of {show_um(tir_from_offset(value_um), unit, with_unit=True)}."


@dataclass(frozen=True, slots=True)
class Question:
    """A question put back to who typed something doubtful; sent again with `key` it is taken as meant."""

    key: str
    words: str


@dataclass(frozen=True, slots=True)
class Difference:
    """A field of a conflict: what is stored now and what was typed."""

    label: str
    stored: str
    typed: str


@dataclass(frozen=True, slots=True)
class Item:
    """A field as the page shows it; a limit comes with its choice and its other value."""

    field: Any
    given_as: Any = None
    other: str = ""


class RowForm(forms.Form):
    """A form of facts. `facts()` is what the services take; its names are the model's own."""

    groups: ClassVar[tuple[tuple[str, tuple[str, ...]], ...]] = ()
    not_facts: ClassVar[frozenset[str]] = frozenset()

    def __init__(self, *args: Any, unit: Unit = Unit.MM, row: Any = None, **kwargs: Any) -> None:
        kwargs["initial"] = {**(self.initial_of(row) if row else {}), **(kwargs.get("initial") or {})}
        super().__init__(*args, **kwargs)
        self.unit, self.row = unit, row
        self.questions: list[Question] = []
        self.differences: list[Difference] = []
        self.refused_with = 422
        ask_in(self, unit)
        for name, field in list(self.fields.items()):
            if isinstance(field, LimitField):
                self.fields[f"{name}_is"] = forms.ChoiceField(
                    label="This is", choices=LIMIT_IS, initial=OFFSET, widget=forms.RadioSelect
                )

    @classmethod
    def fact_names(cls) -> list[str]:
        """Return the fields that are stored as they are."""
        return [name for name in cls.base_fields if name != "version" and name not in cls.not_facts]

    @classmethod
    def initial_of(cls, row: Any) -> dict[str, Any]:
        """Return what is stored, as the form starts with it."""
        return {name: getattr(row, name) for name in cls.fact_names()}

    def facts(self) -> dict[str, Any]:
        """Return the cleaned values by the model's names."""
        return {name: self.cleaned_data[name] for name in self.fact_names() if name in self.fields}

    def clean(self) -> dict[str, Any]:
        """Halve what was given as TIR, and ask about numbers that look like another unit's."""
        data = super().clean() or {}
        for name, field in self.fields.items():
            given_as = data.get(f"{name}_is", OFFSET)
            if isinstance(field, Asked) and data.get(name) is not None:
                try:
                    self._ask(name, field.question(data[name], self._typed(name), given_as == TIR))
                except CalcError as error:
                    self.add_error(name, error.message)
            if given_as == TIR and data.get(name) is not None:
                data[name] = offset_from_tir(data[name])
        return data

    def _ask(self, name: str, question: str | None) -> None:
        if not question:
            return
        key = f"{self.add_prefix(name)}={self._typed(name)}"
        meant = self.data.getlist("meant") if hasattr(self.data, "getlist") else []
        if key not in meant:
            self.questions.append(Question(key, f"{self.fields[name].label}: {self._typed(name)} is meant as typed"))
            self.add_error(name, question)

    def _typed(self, name: str) -> str:
        return str(self.data.get(self.add_prefix(name), "")).strip()

    def attempt(self, act: Callable[[], Any]) -> bool:
        """Run a service; what it refuses stands beside its field. True where it was done."""
        if not self.is_valid():
            return False
        try:
            act()
        except Conflict as conflict:
            self._conflict(conflict)
        except Refused as refusal:
            self.refused_with = refusal.status
            self.add_error(refusal.field if refusal.field in self.fields else None, refusal.message)
        else:
            return True
        return False

    @property
    def status(self) -> int:
        """The status of the page that shows this form."""
        return self.refused_with if self.is_bound and self.errors else 200

    def _conflict(self, conflict: Conflict) -> None:
        self.refused_with = 409
        self.add_error(None, conflict.message)
        if conflict.theirs is None:
            return
        stored = self.initial_of(conflict.theirs)
        for name in self.fields:
            if name in stored and name != "version":
                before, after = self._shown(name, stored[name]), self._shown(name, self[name].value())
                if before != after:
                    self.differences.append(Difference(str(self.fields[name].label), before, after))
        typed: Any = self.data
        again = typed.copy()
        again[self.add_prefix("version")] = str(conflict.theirs.version)
        self.data = again

    def _shown(self, name: str, value: Any) -> str:
        field = self.fields[name]
        if isinstance(field, NumberField):
            return str(plain(field, value))
        if isinstance(field, forms.ChoiceField):
            choices: Any = field.choices
            value = getattr(value, "pk", value)
            return next((str(label) for key, label in choices if str(key) == str(value)), str(value))
        shown = field.prepare_value(value)
        return str(field.widget.format_value(shown) or "") if not isinstance(shown, bool) else str(shown)

    def get_initial_for_field(self, field: Any, field_name: str) -> Any:
        """Show 610.0 as 610."""
        return plain(field, super().get_initial_for_field(field, field_name))

    def item(self, name: str) -> Item:
        """Return a field with what belongs to it on the page."""
        if not isinstance(self.fields[name], LimitField):
            return Item(self[name])
        given_as = self[f"{name}_is"]
        try:
            value = self.fields[name].to_python(self[name].value()) if self.is_bound else self.initial.get(name)
        except forms.ValidationError:
            value = None
        return Item(self[name], given_as, other_words(value, str(given_as.value()), self.unit))

    def grouped(self) -> Iterator[tuple[str, list[Item]]]:
        """Yield the groups of the page: a heading (or none) and its fields."""
        for legend, names in self.groups or (("", tuple(self.base_fields)),):
            shown = [n for n in names if n in self.fields and not self[n].is_hidden]
            if shown:
                yield legend, [self.item(n) for n in shown]


class SetUpForm(RowForm):
    """A form of one record, with the version that the person saw."""

    version = forms.IntegerField(widget=forms.HiddenInput, required=False, min_value=1, max_value=LARGEST_ID)

    @classmethod
    def initial_of(cls, row: Any) -> dict[str, Any]:
        """Return what is stored, with its version."""
        return {"version": row.version, **super().initial_of(row)}


def plain(field: Any, value: Any) -> Any:
    """Return a stored number as one would type it; anything else as it is."""
    if isinstance(field, LengthField):
        return field.prepare_value(value)
    if isinstance(field, NumberField) and isinstance(value, float):
        return f"{value:.10g}"
    return value
