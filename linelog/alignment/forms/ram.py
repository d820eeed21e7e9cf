"""Which ram position the page of the hanging ram shows."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils import timezone

from linelog.calc.units import Unit
from linelog.web.forms import offer
from linelog.web.units import MachineLengthField, ask_in, machine_unit, show_mm, shown_in


class PositionForm(forms.Form):
    """A ram position, as travel from full back in the unit that the page showed; mm where an address says none."""

    travel = MachineLengthField(required=False, label="Ram position, from full back", largest_um=None)
    unit = forms.CharField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, stroke_mm: float, usual_mm: float, unit: Unit, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.stroke_mm, self.usual_mm = stroke_mm, usual_mm
        self.typed_in = shown_in(self.data.get("unit"), Unit.MM if "travel" in self.data else unit)
        self.fields["travel"].initial = usual_mm
        self.fields["unit"].initial = machine_unit(self.typed_in).value
        ask_in(self, self.typed_in)

    def clean_travel(self) -> float | None:
        """Refuse a position that the ram never takes."""
        travel: float | None = self.cleaned_data["travel"]
        if travel is not None and not 0.0 <= travel <= self.stroke_mm:
            raise forms.ValidationError(f"The ram travels from 0 to {show_mm(self.stroke_mm, self.typed_in)}.")
        return travel

    def chosen_mm(self) -> float:
        """Return the position asked for, else the usual one."""
        travel = self.cleaned_data.get("travel") if self.is_bound and self.is_valid() else None
        return self.usual_mm if travel is None else float(travel)


class LineForm(forms.Form):
    """From which offsets a common line is worked out, for which value, and what is ranked first."""

    AS_IT_STANDS = ""
    visit = forms.ChoiceField(required=False, label="Offsets")
    value = forms.ChoiceField(
        required=False,
        choices=(("running", "When running, where that is known"), ("measured", "As measured")),
        label="Value",
    )
    rank = forms.ChoiceField(
        required=False, choices=(("stations", "Fewest opened"), ("hours", "Fewest hours")), label="First"
    )

    def __init__(self, *args: Any, visits: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.visits = {str(visit.pk): visit for visit in visits}
        now = (self.AS_IT_STANDS, "As it stands now")
        offer(self, "visit", [now, *((pk, _as_found(visit)) for pk, visit in self.visits.items())])
        self.initial = {"visit": "", "value": "running", "rank": "stations"}

    def choice(self) -> tuple[Any, str, str]:
        """Return the visit (or None for now), the value and the rank; what makes no sense falls back to the usual."""
        asked = self.cleaned_data if self.is_bound and self.is_valid() else {}
        visit = self.visits.get(asked.get("visit", ""))
        return visit, asked.get("value") or self.initial["value"], asked.get("rank") or "stations"


def _as_found(visit: Any) -> str:
    state = "" if visit.state == "signed" else ", still open"
    return f"As found on {timezone.localtime(visit.opened_at):%Y-%m-%d}{state}"
