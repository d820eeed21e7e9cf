"""What a reader may ask of the fleet and of the search."""

from __future__ import annotations

import datetime as dt

from django import forms
from django.http import QueryDict

from linelog.trends.fleet import SORTS, Fleet
from linelog.web.forms import TextLine, offer

SORT_NAMES = {
    "machine": "Machine",
    "age": "Oldest visit first",
    "worst": "Worst station first",
    "rate": "Most tear-offs first",
    "need": "Costs most first",
}


class FleetForm(forms.Form):
    """The order of the fleet and one line of it."""

    line = forms.TypedChoiceField(coerce=int, required=False, empty_value=None, label="Line")
    sort = forms.ChoiceField(choices=[(key, SORT_NAMES[key]) for key in SORTS], required=False, label="Order")

    def __init__(self, data: QueryDict, *, fleet: Fleet, usual: str) -> None:
        given = data.copy()
        given["sort"] = given.get("sort") or usual
        super().__init__(given)
        self.usual = usual
        offer(self, "line", [("", "All lines"), *fleet.lines])
        self.fields["line"].error_messages["invalid_choice"] = "There is no such line here."
        self.fields["sort"].error_messages["invalid_choice"] = "There is no such order here."

    def asked(self) -> tuple[str, int | None]:
        """Return the order and the line, or the usual order of all lines where the address makes no sense."""
        if not self.is_valid():
            return self.usual, None
        return self.cleaned_data["sort"], self.cleaned_data["line"]


class FindForm(forms.Form):
    """Words to search for, and the day for which marks are looked up."""

    q = TextLine(max_length=40, required=False, label="Machine, mark, serial, tooling set, defect, complaint or day")
    on = forms.DateField(
        required=False,
        label="Marks as they were on",
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages={"invalid": "Give a day as year-month-day."},
    )

    def day(self, today: dt.date) -> dt.date:
        """Return the day asked for, today where none was."""
        return self.cleaned_data.get("on") or today
