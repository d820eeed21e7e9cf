"""What people type about wall samples: parsed and checked here, once; a field for each clock position and height."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any
from uuid import uuid4

from django import forms
from django.utils import timezone

from linelog.calc.readings import clock_position
from linelog.calc.units import Unit
from linelog.plant.forms.machines import MachineField, machines_of
from linelog.plant.models import Machine
from linelog.production.forms import OfPlantForm
from linelog.production.models import WallSample
from linelog.production.reading.dates import EARLIEST
from linelog.production.walls import THICKEST_UM, THINNEST_UM, Can, Ring, odd_words, why_not
from linelog.web import units
from linelog.web.forms import TextLine, offer, offer_rows
from linelog.web.units import LengthField, NumberField

POINTS = (4, 6, 8, 12)
OWN = "own"  # the positions of a sample from a file, where they are none of the usual sets
HEIGHTS = (("a", "low_mm"), ("b", "high_mm"))
FEWEST = 4
HIGHEST_MM = 400.0
# Looking into the open end is looking along the forward stroke: the dome faces the domer.
VIEWS = (("crank", "Into the open end (as from the crank)"), ("domer", "At the dome (as from the domer)"))
DATETIME_LOCAL = "%Y-%m-%dT%H:%M"


def angles_of(points: int) -> tuple[float, ...]:
    """Return the clock angles of so many equal positions."""
    return tuple(360.0 * number / points for number in range(points))


#: What can be chosen, and nothing else: a form of as many fields as somebody types would take all memory.
ANGLES = {str(points): angles_of(points) for points in POINTS}
USUAL_POINTS = "8"


class HeightField(NumberField):
    """A height above the dome in mm."""

    def __init__(self, **more: Any) -> None:
        said = f"This must be between 0 and {HIGHEST_MM:g} mm."
        told = {"min_value": said, "max_value": said, **more.pop("error_messages", {})}
        super().__init__(min_value=0.0, max_value=HIGHEST_MM, error_messages=told, **more)


class WallForm(forms.Form):
    """A can: which, how it was read, and its wall round the clock at one height or two."""

    machine = MachineField()
    taken_at = forms.DateTimeField(
        label="Made at",
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format=DATETIME_LOCAL),
        error_messages={"invalid": "This is not a day and time of the calendar.", "required": "When was it made?"},
    )
    can = TextLine(max_length=20, required=False, label="Can number", help_text="Where several are of one minute.")
    view = forms.ChoiceField(label="You look", choices=VIEWS, widget=forms.RadioSelect, initial="crank")
    step_um = LengthField(
        label="Smallest step of the gauge",
        smallest_um=0.01,
        largest_um=100.0,
        error_messages={"required": "Give the gauge's smallest step."},
    )
    points = forms.ChoiceField(label="Positions round the can", widget=forms.RadioSelect)
    low_mm = HeightField(label="Height (mm)", error_messages={"required": "Give the height."})
    high_mm = HeightField(label="Height (mm)", required=False)
    odd_is_right = forms.BooleanField(required=False, label="Yes, the wall is so uneven: I have read it again")
    note = TextLine(max_length=200, required=False)
    key = forms.CharField(widget=forms.HiddenInput, required=False, max_length=64)
    version = forms.IntegerField(widget=forms.HiddenInput, required=False, min_value=1, max_value=2**31 - 1)

    def __init__(
        self, *args: Any, user: Any, now: dt.datetime, points: str, own: Sequence[float] = (), **more: Any
    ) -> None:
        super().__init__(*args, **more)
        self.now, self.unit = now, units.of(user)
        self.angles = tuple(own) if points == OWN and own else ANGLES.get(points, ANGLES[USUAL_POINTS])
        choices = [(number, number) for number in ANGLES]
        offer(self, "points", [*choices, (OWN, "As in the file")] if own else choices)
        offer_rows(self, "machine", machines_of(user))
        self.fields["taken_at"].initial = timezone.localtime(now)
        self.fields["key"].initial = uuid4().hex
        units.ask_in(self, self.unit)
        for letter, _ in HEIGHTS:
            for angle in self.angles:
                self.fields[position(letter, angle)] = _wall_field(angle, self.unit)
        self.odd: list[str] = []

    def clean_taken_at(self) -> dt.datetime:
        """Return the time; refuse one that has not come yet or is older than any log."""
        at: dt.datetime = self.cleaned_data["taken_at"]
        if at > self.now:
            raise forms.ValidationError("This time has not come yet.")
        if at.date() < EARLIEST:
            raise forms.ValidationError(f"Samples before {EARLIEST.year} are not kept here.")
        return at

    def clean(self) -> dict[str, Any]:
        """Refuse heights with too few positions, and ask where a reading is far from the others."""
        given: dict[str, Any] = super().clean() or {}
        for letter, height in HEIGHTS:
            self._check_height(given, letter, height)
        if given.get("low_mm") is not None and given.get("low_mm") == given.get("high_mm"):
            self.add_error("high_mm", "The second height must be another than the first.")
        if not self.errors:
            self.odd = odd_words(self._rings())
            if self.odd and not given.get("odd_is_right"):
                self.add_error("odd_is_right", f"{self.odd[0]} Read it again, or tick this if it is right.")
        if not self.errors and (why := why_not(self.made(), given["machine"].line.plant)):
            self.add_error(position(HEIGHTS[0][0], self.angles[0]), why)
        return given

    def _check_height(self, given: dict[str, Any], letter: str, height: str) -> None:
        names = [position(letter, angle) for angle in self.angles]
        if any(name in self.errors for name in names):
            return
        typed = [name for name in names if given.get(name) is not None]
        if not typed and letter != HEIGHTS[0][0]:
            given[height] = None  # the second height is there from the last sample; nothing was read at it
        elif len(typed) < FEWEST:
            missing = next(name for name in names if name not in typed)
            self.add_error(missing, f"A wall sample needs at least {FEWEST} positions; {len(typed)} are typed.")
        elif given.get(height) is None and height not in self.errors:
            self.add_error(height, "At which height above the dome?")

    def _rings(self) -> tuple[Ring, ...]:
        """Return what was typed, the lower height first."""
        given, made = self.cleaned_data, []
        for letter, height in HEIGHTS:
            readings = tuple(
                (angle, given[name], self._typed(name))
                for angle in self.angles
                if given.get(name := position(letter, angle)) is not None
            )
            if readings:
                made.append(Ring(given[height], readings))
        return tuple(sorted(made, key=lambda ring: ring.height_mm))

    def _typed(self, name: str) -> str:
        return str(self.data.get(self.add_prefix(name), "")).strip()

    def made(self) -> Can:
        """Return the can that was typed."""
        given = self.cleaned_data
        plain = {name: given[name] for name in ("machine", "taken_at", "can", "view", "step_um", "note")}
        return Can(**plain, unit=self.unit.value, rings=self._rings())

    def walls(self) -> list[tuple[forms.BoundField, list[forms.BoundField]]]:
        """Return each height with its positions, as the page shows them."""
        return [
            (self[height], [self[position(letter, angle)] for angle in self.angles]) for letter, height in HEIGHTS
        ]


def position(letter: str, angle: float) -> str:
    """Name the field of a position."""
    return f"{letter}_{angle:g}"


def _wall_field(angle: float, unit: Unit) -> LengthField:
    return LengthField(
        label=f"{clock_position(angle)} o'clock",
        unit=unit,
        required=False,
        smallest_um=THINNEST_UM,
        largest_um=THICKEST_UM,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off", "data-wall": ""}),
    )


def initial_of(sample: WallSample, can: Can) -> tuple[dict[str, Any], tuple[float, ...], str]:
    """Return a stored sample as the form shows it, its positions, and which of the usual sets they are."""
    angles = tuple(sorted({angle for ring in can.rings for angle, _, _ in ring.readings}))
    usual = next((points for points, those in ANGLES.items() if set(angles) == set(those)), OWN)
    shown: dict[str, Any] = {"machine": can.machine.pk, "taken_at": can.taken_at, "can": can.can, "view": can.view}
    shown |= {"step_um": can.step_um, "note": can.note, "version": sample.version, "points": usual}
    for (letter, height), ring in zip(HEIGHTS, can.rings, strict=False):
        shown[height] = f"{ring.height_mm:g}"
        shown |= {position(letter, angle): value for angle, value, _ in ring.readings}
    return shown, angles, usual


def usual_start(machines: Any, machine: Machine | None) -> dict[str, Any]:
    """Return how the last sample of the machine was read, or of any machine where none is chosen."""
    rows = WallSample.objects.filter(machine=machine) if machine else WallSample.objects.filter(machine__in=machines)
    last = rows.prefetch_related("rings").order_by("-taken_at").first()
    if last is None:
        return {}
    heights = [f"{ring.height_mm:g}" for ring in last.rings.all()]
    return {"view": last.view, "step_um": last.step_um, **dict(zip(("low_mm", "high_mm"), heights, strict=False))}


class WallFileForm(OfPlantForm):
    """A CSV of wall samples: as a file, or pasted and put right on the page."""

    file = forms.FileField(label="CSV file", required=False, error_messages={"empty": "The file is empty (0 bytes)."})
    content = forms.CharField(
        label="Or paste the lines here",
        required=False,
        strip=False,
        max_length=600_000,
        widget=forms.Textarea(attrs={"rows": 8, "spellcheck": "false", "autocomplete": "off"}),
    )
    key = forms.CharField(widget=forms.HiddenInput, required=False, max_length=64)

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.fields["key"].initial = uuid4().hex

    def clean(self) -> dict[str, Any]:
        """Ask for one of the two."""
        given: dict[str, Any] = super().clean() or {}
        if not self.errors and not given.get("file") and not (given.get("content") or "").strip():
            self.add_error("file", "Choose a file, or paste its lines below.")
        return given
