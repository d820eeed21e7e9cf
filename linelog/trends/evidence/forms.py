"""What a reader may ask of the evidence."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django import forms
from django.http import QueryDict

from linelog.plant.models import Plant, Station
from linelog.production.models import SpoilageCause
from linelog.trends.choice import Span
from linelog.trends.evidence.before_after_fit import WINDOWS
from linelog.trends.evidence.leading import leading
from linelog.trends.evidence.scope import CAUSE, GROUP_NAMES, SPANS, SPOILED, TEAR_OFFS, USUAL_SPAN, WORST, Scope
from linelog.web.forms import offer
from linelog.web.widgets import LongSelect

MEASURES = [(TEAR_OFFS, "Tear-offs"), (SPOILED, "Spoiled cans")]
PERIODS = {Span.MONTHS_12: "12 months", Span.MONTHS_24: "24 months", Span.ALL: "All"}
STATIONS = [(WORST, "The worst station"), *GROUP_NAMES.items(), *Station.Kind.choices]


def _usual(form: forms.Form, data: QueryDict, usual: dict[str, Any]) -> Any:
    given: Any = data.copy()
    for name, value in usual.items():
        given[name] = given.get(name) or str(value)
    return given


def _name_errors(form: forms.Form, names: dict[str, str]) -> None:
    for field, word in names.items():
        form.fields[field].error_messages["invalid_choice"] = (
            f"There is no such {word} here: choose one of those shown."
        )


class EvidenceForm(forms.Form):
    """Which rate is held against the severity of what, over which time."""

    measure = forms.ChoiceField(required=False, label="Rate")
    station = forms.ChoiceField(choices=STATIONS, required=False, label="Severity of")
    tooling = forms.TypedChoiceField(
        coerce=int, empty_value=None, required=False, label="Tooling set", widget=LongSelect
    )
    span = forms.ChoiceField(choices=[(one.value, PERIODS[one]) for one in SPANS], required=False, label="Time")

    def __init__(self, data: QueryDict, *, plant: Plant, sets: Iterable[tuple[int, str]]) -> None:
        measure = data.get("measure") or TEAR_OFFS
        usual = leading(plant, (measure,))[measure][0] if measure in (TEAR_OFFS, SPOILED) else WORST
        super().__init__(_usual(self, data, {"measure": TEAR_OFFS, "station": usual, "span": USUAL_SPAN.value}))
        causes = SpoilageCause.objects.filter(plant=plant).order_by("name").values_list("code", "name")
        named = [(CAUSE + code, f"Spoiled: {name}") for code, name in causes]
        offer(self, "measure", [*MEASURES, *named])
        offer(self, "tooling", [("", "All sets"), *sets])
        _name_errors(self, {"measure": "rate", "station": "station", "tooling": "tooling set", "span": "time"})

    def scope(self) -> Scope:
        """Return the question, or the usual one where the address asks for what is not there."""
        if not self.is_valid():
            return Scope()
        given = self.cleaned_data
        return Scope(given["measure"], given["station"], Span(given["span"]), given["tooling"])


class BeforeAfterForm(forms.Form):
    """How many days after a visit, which rate, and of which machine."""

    measure = forms.ChoiceField(choices=MEASURES, required=False, label="Rate")
    window = forms.TypedChoiceField(
        choices=[(days, f"{days} days") for days in WINDOWS], coerce=int, required=False, label="After the visit"
    )
    machine = forms.TypedChoiceField(coerce=int, empty_value=None, required=False, label="Machine", widget=LongSelect)
    span = forms.ChoiceField(choices=[(one.value, PERIODS[one]) for one in SPANS], required=False, label="Time")

    def __init__(self, data: QueryDict, *, machines: Iterable[tuple[int, str]]) -> None:
        usual = {"measure": TEAR_OFFS, "window": 7, "span": Span.MONTHS_12.value}
        super().__init__(_usual(self, data, usual))
        offer(self, "machine", [("", "All machines"), *machines])
        words = {"measure": "rate", "window": "number of days", "machine": "machine", "span": "time"}
        _name_errors(self, words)

    def asked(self) -> dict[str, Any]:
        """Return what is asked for, or the usual where the address makes no sense."""
        if self.is_valid():
            return self.cleaned_data | {"span": Span(self.cleaned_data["span"])}
        return {"measure": TEAR_OFFS, "window": 7, "machine": None, "span": Span.MONTHS_12}
