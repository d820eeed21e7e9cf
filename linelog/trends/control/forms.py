"""What people choose and type about signals."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import QueryDict

from linelog.plant.forms.machines import machines_of
from linelog.plant.models import Machine
from linelog.trends.models.control import Signal
from linelog.web.forms import offer_rows

DAYS = (("28", "4 weeks"), ("91", "3 months"), ("364", "12 months"), ("", "All"))
STATES = (("open", "Open"), ("answered", "Answered"), ("", "All"))
WAYS = (("", "Both ways"), ("up", "More"), ("down", "Fewer"))
USUAL = {"days": "28", "state": "open"}
CHART_USUAL = {"measure": "tear_offs", "grain": "day", "span": "182"}


def _with_usual(data: QueryDict, usual: dict[str, str]) -> Any:
    given = data.copy()
    for name, value in usual.items():
        if name not in given:
            given[name] = value
    return given


class ChoiceForm(forms.Form):
    """Which signals to list; the address carries it."""

    days = forms.ChoiceField(choices=DAYS, required=False, label="Span")
    state = forms.ChoiceField(choices=STATES, required=False, label="State")
    measure = forms.ChoiceField(choices=[("", "Both counts"), *Signal.Measure.choices], required=False, label="Count")
    way = forms.ChoiceField(choices=WAYS, required=False, label="Way")
    machine = forms.ModelChoiceField(
        Machine.objects.none(),
        required=False,
        empty_label="All machines",
        error_messages={"invalid_choice": "There is no such machine in your plant."},
    )

    def __init__(self, data: QueryDict, *, user: Any) -> None:
        super().__init__(_with_usual(data, USUAL))
        offer_rows(self, "machine", machines_of(user))
        for name in ("days", "state", "measure", "way"):
            self.fields[name].error_messages["invalid_choice"] = "There is no such choice: take one of those shown."


class ChartForm(forms.Form):
    """Which chart of a machine to draw."""

    measure = forms.ChoiceField(choices=Signal.Measure.choices, label="Count", widget=forms.RadioSelect)
    grain = forms.ChoiceField(
        choices=(("shift", "By shift"), ("day", "By day"), ("week", "By week")),
        label="Points",
        widget=forms.RadioSelect,
    )
    span = forms.ChoiceField(
        choices=(("91", "3 months"), ("182", "6 months"), ("364", "12 months"), ("728", "24 months")),
        label="Span",
        widget=forms.RadioSelect,
    )

    def __init__(self, data: QueryDict) -> None:
        super().__init__(_with_usual(data, CHART_USUAL))
        for field in self.fields.values():
            field.error_messages["invalid_choice"] = "There is no such choice: take one of those shown."

    def chosen(self) -> dict[str, str]:
        """Return the choice, or the usual one where the address asks for what is not there."""
        return dict(self.cleaned_data) if self.is_valid() else dict(CHART_USUAL)


class AnswerForm(forms.Form):
    """What was found behind a signal; `version` is what the person saw."""

    found = forms.CharField(
        max_length=400,
        label="What was found",
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="Also where nothing was found: say what was looked at.",
        error_messages={"required": "Say what was found."},
    )
    along = forms.BooleanField(required=False, label="The same holds for the other open signals near it")
    version = forms.IntegerField(
        widget=forms.HiddenInput,
        min_value=0,
        max_value=2**31 - 1,
        error_messages=dict.fromkeys(("required", "invalid", "min_value", "max_value"), "Reload the page."),
    )
