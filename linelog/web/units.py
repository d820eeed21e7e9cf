"""Where typed lengths become um, and um become what the reader wants; nowhere else."""

from __future__ import annotations

import math
import re
from typing import Any

from django import forms

from linelog.calc.units import ABSURD_UM, Unit, from_um, to_um

MINUS = "−"
_NUMBER = re.compile(r"[+-]?(\d+([.]\d*)?|[.]\d+)")


def of(user: Any) -> Unit:
    """Return the unit this person reads; mm where nobody is signed in."""
    return Unit(getattr(user, "unit", None) or Unit.MM.value)


def shown_in(said: object, usual: Unit) -> Unit:
    """Return the unit that a form says it was shown in, which may not be the one of today: it may be sent late."""
    return Unit(said) if said in {unit.value for unit in Unit} else usual


def label(unit: Unit) -> str:
    """Name the unit as it stands in a heading."""
    return unit.label


def show_um(
    value: float | None, unit: Unit, *, signed: bool = False, with_unit: bool = False, fine: bool = False
) -> str:
    """Return a length stored in um as text in `unit`, with a true minus sign; `fine` (walls) with a decimal more."""
    if value is None or not math.isfinite(value):
        return "–"
    decimals = unit.decimals + 1 if fine and unit is not Unit.UM else unit.decimals
    number = round(from_um(value, unit), decimals) + 0.0  # + 0.0 makes -0.0 plain zero
    text = f"{number:{'+' if signed else ''}.{decimals}f}".replace("-", MINUS)
    return f"{text}\u202f{unit.label}" if with_unit else text


def parse_number(text: str) -> float:
    """Read a typed decimal number; a comma or a point, any minus sign. Raises ValueError with a sentence."""
    cleaned = text.strip().replace(MINUS, "-").replace("–", "-").replace("\u202f", "").replace(" ", "")
    if cleaned.count(",") == 1 and "." not in cleaned:
        cleaned = cleaned.replace(",", ".")
    if not _NUMBER.fullmatch(cleaned) or len(cleaned) > 20:
        raise ValueError(f"'{text.strip()[:20]}' is not a number.")
    return float(cleaned)


class NumberField(forms.FloatField):
    """A decimal number typed with a comma or a point; letters, NaN and infinities are refused."""

    widget = forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"})

    def to_python(self, value: Any) -> Any:  # the stubs would have an int
        """Return the number, or None where the field is empty."""
        if value in self.empty_values:
            return None
        try:
            return parse_number(str(value))
        except ValueError as error:
            raise forms.ValidationError(str(error)) from None


class LengthField(NumberField):
    """A length typed in the form's unit, given back in um (a form sets `unit` when it is made).

    `smallest_um` and `largest_um` are bounds in um; the sentence that refuses a length says them in the unit typed.
    """

    def __init__(
        self,
        *,
        unit: Unit = Unit.MM,
        smallest_um: float | None = None,
        largest_um: float | None = ABSURD_UM,
        **kwargs: Any,
    ) -> None:
        super().__init__(**kwargs)
        self.unit = unit
        self.smallest_um = smallest_um
        self.largest_um = largest_um

    def to_python(self, value: Any) -> Any:
        """Return um."""
        number = super().to_python(value)
        return None if number is None else to_um(number, self.unit)

    def validate(self, value: Any) -> None:
        """Refuse what is beyond the bounds."""
        super().validate(value)
        if value is None:
            return
        if self.smallest_um is not None and value < self.smallest_um:
            least = show_um(self.smallest_um, self.unit, with_unit=True)
            raise forms.ValidationError(f"This must be {least} or more.")
        if self.largest_um is not None and abs(value) > self.largest_um:
            most = show_um(self.largest_um, self.unit, with_unit=True)
            raise forms.ValidationError(f"This must be {most} or less: check the number and its unit.")

    def prepare_value(self, value: Any) -> Any:
        """Show a stored um value in the form's unit; leave what was typed as it is."""
        if isinstance(value, int | float):
            return f"{round(from_um(value, self.unit), 6):g}"
        return value


def ask_in(form: forms.BaseForm, unit: Unit, *, labelled: bool = True) -> None:
    """Have the lengths of a form typed and shown in a unit, named in their labels."""
    for field in form.fields.values():
        if isinstance(field, LengthField):
            field.unit = unit
            if labelled:
                field.label = f"{field.label} ({unit.label})"
