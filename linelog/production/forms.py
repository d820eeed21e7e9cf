"""What people type about counts, causes, events and files: parsed and checked here, once."""

from __future__ import annotations

import datetime as dt
import re
from typing import Any
from uuid import uuid4

from django import forms
from django.utils import timezone

from linelog.plant.forms.machines import MachineField, machines_of
from linelog.plant.models import Line, Plant, Shift
from linelog.production.days import production_day
from linelog.production.models import Event, ShiftCount, SpoilageCause, Upload
from linelog.production.reading.cells import MOST_CANS, MOST_MINUTES
from linelog.production.reading.dates import EARLIEST
from linelog.production.services.counts import Numbers
from linelog.web.forms import BAD_DATE, DateInput, TextLine, ends_after_it_begins, offer_rows, plain_code
from linelog.web.units import NumberField

DIGITS = re.compile(r"\d{1,9}")
CAUSE = "cause_"
COUNTED = ("cans", "spoiled", "tear_offs", "short_cans", "jams")
LABELS = {
    "cans": "Good cans",
    "spoiled": "Spoiled cans",
    "tear_offs": "Tear-offs",
    "short_cans": "Short cans",
    "jams": "Jams",
    "minutes_down": "Minutes down",
}


class WholeField(forms.Field):
    """A count: whole, not below zero, blanks between thousands allowed."""

    widget = forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off"})
    default_error_messages = {"required": "Give a number; 0 where there were none."}

    def to_python(self, value: Any) -> int | None:
        """Return the number, or None where the field is empty."""
        text = re.sub(r"\s", "", str(value or ""))
        if not text:
            return None
        if not DIGITS.fullmatch(text):
            below = re.fullmatch(r"[-−–]\d+", text)
            raise forms.ValidationError(
                "A count cannot be below zero." if below else f"'{text[:20]}' is no whole number."
            )
        if int(text) > MOST_CANS:
            raise forms.ValidationError(f"More than {MOST_CANS:,} in one shift cannot be.".replace(",", " "))
        return int(text)


class FilterForm(forms.Form):
    """Which counts are shown."""

    line = forms.ModelChoiceField(
        Line.objects.none(),
        required=False,
        empty_label="All lines",
        error_messages={"invalid_choice": "No such line."},
    )
    machine = MachineField(required=False, empty_label="All machines")
    since = forms.DateField(required=False, label="From", widget=DateInput, error_messages=BAD_DATE)
    until = forms.DateField(required=False, label="To", widget=DateInput, error_messages=BAD_DATE)

    def __init__(self, *args: Any, user: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        offer_rows(self, "line", Line.objects.for_user(user))
        offer_rows(self, "machine", machines_of(user))

    def clean(self) -> dict[str, Any]:
        """Refuse a span that ends before it begins."""
        given: dict[str, Any] = super().clean() or {}
        ends_after_it_begins(self, "since", "until")
        return given


class NumbersForm(forms.Form):
    """The counts of one shift, with a field for each cause of the plant."""

    cans = WholeField(label="Good cans")
    spoiled = WholeField(label="Spoiled cans")
    tear_offs = WholeField(label="Tear-offs")
    short_cans = WholeField(label="Short cans")
    jams = WholeField(label="Jams")
    minutes_down = NumberField(
        label="Minutes down",
        min_value=0,
        max_value=MOST_MINUTES,
        error_messages={
            "required": "Give a number; 0 where it never stood.",
            "min_value": "Minutes cannot be below zero.",
            "max_value": "A shift has no more than 1440 minutes.",
        },
    )
    more_spoiled = forms.BooleanField(required=False, label="Yes, more cans were spoiled than good ones made")

    def __init__(self, *args: Any, causes: list[SpoilageCause], **more: Any) -> None:
        super().__init__(*args, **more)
        self.causes = causes
        for cause in causes:
            self.fields[CAUSE + str(cause.pk)] = WholeField(required=False, label=cause.name)
        self.asks_more_spoiled = False

    def clean(self) -> dict[str, Any]:
        """Hold the causes against the total, and ask where more was spoiled than made."""
        given: dict[str, Any] = super().clean() or {}
        cans, spoiled = given.get("cans"), given.get("spoiled")
        if cans is None or spoiled is None:
            return given
        total = sum(self.by_cause().values())
        if total > spoiled:
            self.add_error("spoiled", f"The causes add up to {total}, more than the {spoiled} spoiled.")
        if spoiled > cans:
            self.asks_more_spoiled = True
            if not given.get("more_spoiled"):
                self.add_error("more_spoiled", f"{spoiled} spoiled and only {cans} good: tick this if it is right.")
        return given

    def by_cause(self) -> dict[str, int]:
        """Return the spoiled cans by cause code."""
        return {cause.code: self.cleaned_data.get(CAUSE + str(cause.pk)) or 0 for cause in self.causes}

    def numbers(self) -> Numbers:
        """Return what was typed, ready to be stored."""
        given = self.cleaned_data
        counts = {name: given[name] for name in COUNTED}
        return Numbers(**counts, minutes_down=round(given["minutes_down"], 2), by_cause=self.by_cause())

    def count_fields(self) -> list[forms.BoundField]:
        """Return the fields of the counts, in their order."""
        return [self[name] for name in LABELS]

    def cause_fields(self) -> list[forms.BoundField]:
        """Return the fields of the causes."""
        return [self[CAUSE + str(cause.pk)] for cause in self.causes]


def initial_of(count: ShiftCount, causes: list[SpoilageCause]) -> dict[str, Any]:
    """Return a stored row as the form shows it."""
    shown: dict[str, Any] = {name: getattr(count, name) for name in COUNTED}
    shown["minutes_down"] = f"{count.minutes_down:g}"
    shown |= {CAUSE + str(cause.pk): count.by_cause.get(cause.code, 0) for cause in causes}
    return {**shown, "version": count.version}


class EnterForm(NumbersForm):
    """A shift that has no counts yet."""

    machine = MachineField()
    day = forms.DateField(label="Production day", widget=DateInput, error_messages=BAD_DATE)
    shift = forms.ModelChoiceField(
        Shift.objects.none(),
        empty_label="Choose",
        error_messages={"required": "Choose a shift.", "invalid_choice": "There is no such shift in your plant."},
    )
    key = forms.CharField(widget=forms.HiddenInput, required=False, max_length=64)

    def __init__(self, *args: Any, user: Any, now: dt.datetime, **more: Any) -> None:
        super().__init__(*args, causes=list(SpoilageCause.objects.for_user(user)), **more)
        self.now = now
        offer_rows(self, "machine", machines_of(user))
        offer_rows(self, "shift", Shift.objects.for_user(user))
        self.fields["key"].initial = uuid4().hex

    def clean(self) -> dict[str, Any]:
        """Refuse a day that has not come yet, and a shift or a cause of another plant."""
        given = super().clean()
        machine, day, shift = given.get("machine"), given.get("day"), given.get("shift")
        if machine and day:
            _check_day(self, machine.line.plant, day, self.now)
        if machine and shift and shift.plant_id != machine.line.plant_id:
            self.add_error("shift", "This shift belongs to another plant.")
        if machine and any(self.by_cause().get(c.code) for c in self.causes if c.plant_id != machine.line.plant_id):
            self.add_error("spoiled", "One of the causes belongs to another plant.")
        return given


def _check_day(form: forms.Form, plant: Plant, day: dt.date, now: dt.datetime) -> None:
    if day > production_day(plant, now):
        form.add_error("day", "This day has not come yet.")
    elif day < EARLIEST:
        form.add_error("day", f"Counts before {EARLIEST.year} are not kept here.")


class CorrectForm(NumbersForm):
    """A stored shift, to be corrected; `version` is what the person saw."""

    version = forms.IntegerField(
        widget=forms.HiddenInput, error_messages={"required": "Reload the page.", "invalid": "Reload the page."}
    )


class OfPlantForm(forms.Form):
    """A form about one plant: the person's own; who belongs to none is asked which."""

    def __init__(self, *args: Any, user: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.user = user
        if user.plant_id is None:
            missing = {"required": "Choose a plant.", "invalid_choice": "There is no such plant."}
            self.fields["plant"] = forms.ModelChoiceField(Plant.objects.for_user(user), error_messages=missing)

    def plant(self) -> Plant:
        """Return the plant that the form is about."""
        chosen: Plant = self.cleaned_data["plant"] if "plant" in self.fields else self.user.plant
        return chosen


class CauseForm(forms.Form):
    """A cause of spoilage."""

    code = TextLine(
        max_length=20,
        help_text="Letters, digits, - _ . and no blanks; it heads the column of a file.",
        validators=[plain_code],
    )
    name = TextLine(max_length=60)


class NewCauseForm(OfPlantForm, CauseForm):
    """A cause that is added."""


class EventForm(forms.Form):
    """Something that happened to a machine."""

    machine = MachineField()
    happened_at = forms.DateTimeField(
        label="When",
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        error_messages={"invalid": "This is not a day and time of the calendar."},
    )
    kind = forms.ChoiceField(label="What", choices=Event.Kind.choices)
    coil_lot = TextLine(
        max_length=40, required=False, help_text="Where other metal was fed from then on and its lot is known."
    )
    note = TextLine(max_length=200, required=False)
    key = forms.CharField(widget=forms.HiddenInput, required=False, max_length=64)

    def __init__(self, *args: Any, user: Any, now: dt.datetime, **more: Any) -> None:
        super().__init__(*args, **more)
        self.now = now
        offer_rows(self, "machine", machines_of(user))
        self.fields["happened_at"].initial = timezone.localtime(now)
        self.fields["key"].initial = uuid4().hex

    def clean_happened_at(self) -> dt.datetime:
        """Return the time; refuse one that has not come yet or is older than any log."""
        at: dt.datetime = self.cleaned_data["happened_at"]
        if at > self.now:
            raise forms.ValidationError("This time has not come yet.")
        if at.date() < EARLIEST:
            raise forms.ValidationError(f"Events before {EARLIEST.year} are not kept here.")
        return at


class UploadForm(OfPlantForm):
    """A file of counts."""

    file = forms.FileField(
        label="CSV or XLSX file",
        error_messages={"required": "Choose a file.", "empty": "The file is empty (0 bytes)."},
    )


class OrderForm(forms.Form):
    """The answer to which comes first, day or month."""

    date_order = forms.ChoiceField(
        label="Dates", choices=Upload.DateOrder.choices, widget=forms.RadioSelect,
        error_messages={"required": "Say which comes first.", "invalid_choice": "Say which comes first."},
    )  # fmt: skip


class StoreForm(forms.Form):
    """What the person agrees to before a file is stored."""

    without_bad = forms.BooleanField(required=False)
    odd_are_right = forms.BooleanField(required=False)
