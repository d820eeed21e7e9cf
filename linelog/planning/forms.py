"""What is typed on the pages of the plan."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from linelog.planning.models import CalendarAddress, StopWindow
from linelog.planning.services.stops import MOST_WEEKS
from linelog.plant.models import Line, Machine, Plant
from linelog.production import weeks as calendar
from linelog.production.days import zone
from linelog.web.forms import TextLine, known_day, offer, offer_rows
from linelog.web.units import NumberField

LARGEST_ID = 2**31 - 1
WRONG_WEEK = {"invalid": "This is not a week of the calendar.", "required": "Choose a week."}
WRONG_TIME = {"invalid": "This is not a day and time of the calendar.", "required": "Give the day and the time."}


class SpanForm(forms.Form):
    """How many weeks the plan shows."""

    weeks = forms.TypedChoiceField(
        coerce=int,
        choices=[(number, f"{number} weeks") for number in range(calendar.FEWEST, calendar.MOST + 1)],
        required=False,
        empty_value=None,
        error_messages={"invalid_choice": f"Choose {calendar.FEWEST} to {calendar.MOST} weeks."},
    )

    def number(self) -> int:
        """Return the weeks asked for, or the usual number."""
        return int(self.cleaned_data["weeks"] or calendar.USUAL) if self.is_valid() else calendar.USUAL


class AddForm(forms.Form):
    """A machine put into the plan by hand: which week, and how long it takes. It is pinned there."""

    week = forms.DateField(error_messages=WRONG_WEEK, validators=[known_day])
    hours = NumberField(error_messages={"required": "Give the hours."})

    def clean_hours(self) -> float:
        """Refuse hours below or at zero."""
        hours: float = self.cleaned_data["hours"]
        if hours <= 0.0:
            raise ValidationError("The hours must be above zero.")
        return hours

    def problem(self) -> str:
        """Return the first thing that is wrong, in a sentence."""
        return next((str(errors[0]) for errors in self.errors.values()), "")


class EntryForm(AddForm):
    """Where an entry goes and how long it takes; a button says `to` in place of the chosen week."""

    to = forms.DateField(required=False, error_messages=WRONG_WEEK, validators=[known_day])
    pinned = forms.BooleanField(required=False)
    version = forms.IntegerField(min_value=1, max_value=LARGEST_ID)

    def facts(self) -> dict[str, Any]:
        """Return what the service takes."""
        data = self.cleaned_data
        return {
            "week": data["to"] or data["week"],
            "hours": data["hours"],
            "pinned": data["pinned"],
            "version": data["version"],
        }


class VersionForm(forms.Form):
    """A button that only needs to know which version was seen."""

    version = forms.IntegerField(min_value=1, max_value=LARGEST_ID)


class AcceptForm(forms.Form):
    """Which changes of which suggestion are taken."""

    digest = TextLine(max_length=64)
    take = forms.TypedMultipleChoiceField(
        coerce=int, required=False, error_messages={"invalid_choice": "This change is not in the suggestion."}
    )

    def __init__(self, *args: Any, machines: list[int], **more: Any) -> None:
        super().__init__(*args, **more)
        offer(self, "take", [(pk, pk) for pk in machines])


class CrewForm(forms.Form):
    """The crew's hours of a week."""

    week = forms.DateField(error_messages=WRONG_WEEK, validators=[known_day])
    hours = NumberField(error_messages={"required": "Give the hours."})
    version = forms.IntegerField(min_value=0, max_value=LARGEST_ID)

    def problem(self) -> str:
        """Return the first thing that is wrong, in a sentence."""
        return next((str(errors[0]) for errors in self.errors.values()), "")


class StopForm(forms.Form):
    """A stop: what stands still, from when to when. Times are of the plant's own clock."""

    what = forms.ChoiceField(label="What stands still")
    starts_at = TextLine(
        label="From", widget=forms.DateTimeInput(attrs={"type": "datetime-local"}), error_messages=WRONG_TIME
    )
    ends_at = TextLine(
        label="To", widget=forms.DateTimeInput(attrs={"type": "datetime-local"}), error_messages=WRONG_TIME
    )
    crews = forms.IntegerField(
        label="Crews that can work side by side",
        min_value=1,
        max_value=20,
        initial=1,
        widget=forms.TextInput(attrs={"inputmode": "numeric"}),
        error_messages=dict.fromkeys(("min_value", "max_value", "invalid"), "Between 1 and 20 crews."),
    )
    note = TextLine(label="Note", max_length=80, required=False)
    more_weeks = forms.IntegerField(
        label="The same in so many weeks after it",
        min_value=0,
        max_value=MOST_WEEKS,
        initial=0,
        required=False,
        widget=forms.TextInput(attrs={"inputmode": "numeric"}),
        error_messages=dict.fromkeys(("min_value", "max_value", "invalid"), f"Between 0 and {MOST_WEEKS} weeks."),
    )
    later = forms.BooleanField(label="Change the later ones of this series too", required=False)
    version = forms.IntegerField(widget=forms.HiddenInput, required=False, min_value=1, max_value=LARGEST_ID)

    def __init__(self, *args: Any, plant: Plant, row: StopWindow | None = None, **more: Any) -> None:
        more["initial"] = _initial(row, zone(plant)) if row else more.get("initial", {})
        super().__init__(*args, **more)
        self.zone = zone(plant)
        del self.fields["more_weeks" if row else "later"]
        if row and row.series is None:
            del self.fields["later"]
        lines = Line.objects.filter(plant=plant).order_by("name")
        machines = Machine.objects.filter(line__plant=plant).select_related("line").order_by("line__name", "name")
        self.parts: dict[str, Line | Machine | None] = {"plant": None}
        self.parts |= {f"line-{line.pk}": line for line in lines}
        self.parts |= {f"machine-{machine.pk}": machine for machine in machines}
        offer(self, "what", [(key, _named(part)) for key, part in self.parts.items()])

    def clean_starts_at(self) -> dt.datetime:
        """Return the start as an aware time."""
        return self._time("starts_at")

    def clean_ends_at(self) -> dt.datetime:
        """Return the end as an aware time."""
        return self._time("ends_at")

    def _time(self, name: str) -> dt.datetime:
        try:
            typed = dt.datetime.fromisoformat(self.cleaned_data[name])
        except ValueError:
            raise ValidationError(WRONG_TIME["invalid"]) from None
        known_day(typed.date())
        if typed.tzinfo is not None:
            return typed
        try:
            return timezone.make_aware(typed, self.zone)
        except (ValueError, OverflowError):
            raise ValidationError(WRONG_TIME["invalid"]) from None

    def facts(self) -> dict[str, Any]:
        """Return the fields of the model."""
        data, part = self.cleaned_data, self.parts[self.cleaned_data["what"]]
        return {
            "line": part if isinstance(part, Line) else None,
            "machine": part if isinstance(part, Machine) else None,
            **{name: data[name] for name in ("starts_at", "ends_at", "crews", "note")},
        }


def _named(part: Line | Machine | None) -> str:
    if part is None:
        return "The whole plant"
    return f"{part}, whole line" if isinstance(part, Line) else f"{part.line} · {part}"


def _initial(row: StopWindow, local: zoneinfo.ZoneInfo) -> dict[str, Any]:
    what = f"machine-{row.machine_id}" if row.machine_id else f"line-{row.line_id}" if row.line_id else "plant"
    times = {
        name: getattr(row, name).astimezone(local).strftime("%Y-%m-%dT%H:%M") for name in ("starts_at", "ends_at")
    }
    return {"what": what, **times, "crews": row.crews, "note": row.note, "version": row.version}


class CalendarForm(forms.Form):
    """A new secret address."""

    kind = forms.ChoiceField(choices=CalendarAddress.Kind, label="What is read there", initial="calendar")
    line = forms.ModelChoiceField(queryset=Line.objects.none(), empty_label=None)
    label = TextLine(
        label="Who or what reads it",
        max_length=60,
        error_messages={"required": "Say who or what will read it, so that it can be told apart later."},
    )

    def __init__(self, *args: Any, user: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.fields["kind"].error_messages["invalid_choice"] = "There is no such address: take one of those offered."
        offer_rows(self, "line", Line.objects.for_user(user).order_by("plant", "name"))
