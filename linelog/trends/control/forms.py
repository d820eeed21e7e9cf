"""What people choose and type about signals."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import forms
from django.http import QueryDict

from linelog.alignment.models import Visit
from linelog.plant.forms.machines import machines_of
from linelog.plant.models import Machine, Person
from linelog.production.days import local_day
from linelog.production.models import Finding
from linelog.trends import words
from linelog.trends.control.queries import OF_LINE, findings_of, people_of, visits_of
from linelog.trends.control.services import GONE, Words
from linelog.trends.models.control import Signal
from linelog.web.errors import Refused
from linelog.web.forms import TextLine, offer_rows
from linelog.web.requests import whole

MOST = 100

DAYS = (("28", "4 weeks"), ("91", "3 months"), ("364", "12 months"), ("", "All"))
STATES = (
    ("open", "Open"),
    ("answered", "Answered"),
    ("aside", "Set aside"),
    ("", "All"),
    ("earlier", "By the earlier rules"),
)
USUAL = {"days": "91", "state": "open"}
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
    machine = forms.ModelChoiceField(
        Machine.objects.none(),
        required=False,
        empty_label="All machines",
        error_messages={"invalid_choice": "There is no such machine in your plant."},
    )

    def __init__(self, data: QueryDict, *, user: Any) -> None:
        super().__init__(_with_usual(data, USUAL))
        offer_rows(self, "machine", machines_of(user))
        for name in ("days", "state", "measure"):
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


def seen_in(typed: Sequence[str]) -> dict[int, int]:
    """Return the versions that a person saw of signals, by number, from `number:version` each."""
    seen = {}
    for one in typed:
        pk, _, version = one.partition(":")
        if whole(pk) is None or whole(version) is None:
            raise Refused("This page is not as it was sent: reload it.")
        seen[int(pk)] = int(version)
    return seen


class PickForm(forms.Form):
    """Which signals to answer together; the address carries them."""

    signal = forms.ModelMultipleChoiceField(
        Signal.objects.none(),
        error_messages={
            "required": "Tick the signals to answer first.",
            "invalid_choice": GONE,
            "invalid_pk_value": GONE,
        },
    )

    def __init__(self, data: Any, *, user: Any) -> None:
        super().__init__(data)
        rows = Signal.objects.for_user(user).filter(OF_LINE)
        offer_rows(self, "signal", rows.select_related("machine__line__plant", "closed_by", "owner"))

    def clean_signal(self) -> list[Signal]:
        """Return them in the order of a list; no more than a page of one holds."""
        rows = list(self.cleaned_data["signal"].order_by("-day", "pk")[: MOST + 1])
        if len(rows) > MOST:
            raise forms.ValidationError(f"At most {MOST} signals are answered at once.")
        return rows


class BelongsTo(forms.ModelChoiceField[Any]):
    """What signals belong to, none of which is offered until their machine is known."""

    def __init__(self, model: type[Visit] | type[Finding], *, label: str, not_theirs: str) -> None:
        errors = {"invalid_choice": not_theirs}
        super().__init__(model.objects.none(), required=False, label=label, empty_label="None", error_messages=errors)


class VisitField(BelongsTo):
    """A visit, told by machine, day and reason."""

    def label_from_instance(self, obj: Any) -> str:
        """Say which one it is."""
        day = local_day(obj.machine.line.plant, obj.opened_at)
        return f"{obj.machine}, {words.date(day)}: {obj.get_reason_display()}"


class FindingField(BelongsTo):
    """A finding, told by machine, day and code."""

    def label_from_instance(self, obj: Any) -> str:
        """Say which one it is."""
        return f"{obj.machine}, found {words.date(obj.found_on)}: {obj.code.name}"


class AnswerForm(forms.Form):
    """What was found behind signals, who goes on with them, and what it belongs to."""

    cause = forms.ChoiceField(
        choices=[("", "Not known yet"), *Signal.Cause.choices],
        required=False,
        label="What was found",
        error_messages={"invalid_choice": "There is no such cause: take one of those shown."},
    )
    owner = forms.ModelChoiceField(
        Person.objects.none(),
        required=False,
        label="Who goes on with it",
        empty_label="Nobody",
        error_messages={"invalid_choice": "There is nobody of that name in your plant."},
    )
    visit = VisitField(
        Visit, label="Belongs to the visit", not_theirs="That visit is not of the machine of these signals."
    )
    finding = FindingField(
        Finding, label="Belongs to the finding", not_theirs="That finding is not of the machine of these signals."
    )
    note = TextLine(
        max_length=400, required=False, label="Note", help_text="What was looked at and done; needed for 'Other'."
    )

    def __init__(self, *args: Any, signals: Sequence[Signal], **more: Any) -> None:
        super().__init__(*args, **more)
        offer_rows(self, "owner", people_of(signals))
        offer_rows(self, "visit", visits_of(signals))
        offer_rows(self, "finding", findings_of(signals))

    def words(self) -> Words:
        """Return what was said."""
        given = self.cleaned_data
        return Words(given["cause"], given["note"], given["owner"], given["visit"], given["finding"])
