"""Forms of a machine, its marks and its stations."""

from __future__ import annotations

from typing import Any

from django import forms

from linelog.plant.forms.base import SetUpForm
from linelog.plant.forms.fields import LimitField, MmField, SizeField, day, number, text
from linelog.plant.models import Line, Machine, Plant, Station
from linelog.plant.services.machines import MOTION, WINDOWS, NewMachine
from linelog.web.forms import offer_rows


def mark_field(**kwargs: Any) -> forms.RegexField:
    """Return the field of a mark in the dome."""
    return forms.RegexField(
        r"^[0-9A-Za-z./-]{1,8}$",
        label="Mark in the dome",
        error_messages={"invalid": "A mark is up to 8 letters or figures."},
        **kwargs,
    )


class NewMachineForm(SetUpForm):
    """The one form that a new machine takes."""

    line: forms.ModelChoiceField[Line] = forms.ModelChoiceField(queryset=Line.objects.none(), empty_label=None)
    name = text("Name of the machine")
    kind = forms.ChoiceField(choices=[(k.value, k.value.capitalize()) for k in Machine.Kind])
    mark = mark_field(required=False)
    serial = text("Serial number", required=False)
    in_service_on = day("In service on", required=False, help_text="The mark counts from this day, else from today.")

    def __init__(self, *args: Any, plant: Plant, copied: bool = False, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        offer_rows(self, "line", plant.lines.all())
        if copied:
            del self.fields["kind"]

    def new(self, kind: str = "") -> NewMachine:
        """Return what the services take."""
        data = self.cleaned_data
        return NewMachine(
            line=data["line"],
            name=data["name"],
            kind=kind or data["kind"],
            serial=data["serial"],
            mark=data["mark"],
            in_service_on=data["in_service_on"],
        )


class MachineForm(SetUpForm):
    """A machine's name, place and life, and its motion; the ram has a form of its own."""

    line: forms.ModelChoiceField[Line] = forms.ModelChoiceField(queryset=Line.objects.none(), empty_label=None)
    name = text("Name of the machine")
    serial = text("Serial number", required=False)
    in_service_on = day("In service on", required=False)
    out_of_service_on = day("Out of service on", required=False)
    note = forms.CharField(required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 3}))
    stroke_mm = MmField(1, 2000, usual=(150, 1200), required=False, label="Stroke (mm)")
    rod_length_mm = MmField(1, 5000, usual=(200, 2500), required=False, label="Connecting rod length (mm)")
    speed_spm = number("Speed (strokes/min)", 1, 1000, required=False)
    forward_from_deg = number("Forward from (°)", 0, 360)
    dome_from_deg = number("Dome forming from (°)", 0, 360)
    dome_to_deg = number("Dome forming to (°)", 0, 360)
    return_to_deg = number("Return to (°)", 0, 360)

    groups = (
        ("The machine", ("line", "name", "serial", "in_service_on", "out_of_service_on", "note")),
        ("Motion", MOTION),
        ("Crank windows, in degrees after full back", WINDOWS),
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        lines = Line.objects.filter(plant_id=self.row.line.plant_id)
        offer_rows(self, "line", lines)


class MarkForm(SetUpForm):
    """A mark and its days."""

    mark = mark_field()
    starts_on = day("From")
    ends_on = day("Last day", required=False, help_text="Empty while it is in use.")


class NewMarkForm(MarkForm):
    """A new mark; the one in use until now can end with it."""

    ends_others = forms.BooleanField(
        required=False, initial=True, label="What the machine carried until now ends the day before"
    )
    not_facts = frozenset({"ends_others"})


class StationForm(SetUpForm):
    """A station: where it lies, its limits, how it is swept."""

    name = text("Name of the station")
    kind = forms.ChoiceField(choices=Station.Kind, label="Component")
    z_mm = MmField(
        -5000,
        5000,
        label="Position z (mm)",
        help_text="From the front edge of the front bushing, forward positive; the front one of two seats.",
    )
    rear_z_mm = MmField(
        -5000, 5000, required=False, label="Rear seat z (mm)", help_text="Only where two seats are measured apart."
    )
    limit_um = LimitField(label="Limit", finest_um=2.0, widest_um=300.0)  # common practice: beyond them we ask
    tilt_limit_mm_per_m = number(
        "Tilt limit (mm/m, the same figure as thousandths per inch)",
        0.001,
        100,
        "A tilt limit must be above zero, at most 100.",
        required=False,
    )
    face_radius_mm = MmField(0.1, 1000, required=False, usual=(5, 500), label="Face sweep at radius (mm)")
    surface = forms.ChoiceField(choices=Station.Surface, label="The plunger touches")
    carrier = forms.ChoiceField(choices=Station.Carrier, label="The indicator rides")
    view = forms.ChoiceField(choices=Station.View, label="The clock is read")
    wear_limit_um = SizeField(
        required=False,
        finest_um=2.0,
        widest_um=1000.0,
        label="Wear limit of a bushing",
        help_text="Largest diametral clearance, of a bushing only. Left open, the plant's limit holds.",
    )
    hours_to_open = number("Hours to open", 0, 200, initial=1)

    groups = (
        ("The station", ("name", "kind", "z_mm", "rear_z_mm", "hours_to_open")),
        ("Limits", ("limit_um", "tilt_limit_mm_per_m", "wear_limit_um")),
        ("How it is swept", ("surface", "carrier", "view", "face_radius_mm")),
    )
