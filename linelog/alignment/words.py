"""What the log says in words."""

from __future__ import annotations

from django.utils import timezone

from linelog.alignment.models import AmendedReading, Reading, Sweep
from linelog.calc.frame import view_words
from linelog.calc.readings import View, clock_position
from linelog.calc.suspect import Suspect
from linelog.calc.units import Unit
from linelog.plant.models import Station
from linelog.web import units

FACING = {
    "": "which way it looks is not said yet",
    Sweep.Facing.CRANK: "looking toward the crank",
    Sweep.Facing.DOMER: "looking toward the domer",
}


def set_up_words(sweep: Sweep, unit: Unit) -> str:
    """Say how a sweep is made, for the mechanic to check at a glance."""
    is_inch = unit is Unit.INCH  # a dial of 0.001 mm steps by 0.00004 in
    step = units.show_um(sweep.resolution_um, unit, with_unit=True, fine=is_inch)
    sag = units.show_um(sweep.sag_um, unit, with_unit=True, fine=is_inch)
    words = [
        _touched(sweep, unit),
        view_words(View(sweep.view)),
        f"{sweep.positions} positions",
        f"indicator {sweep.indicator}" if sweep.indicator else "",
        f"dial step {step}",
        "dial counts down when pressed in" if sweep.plunger_reversed else "",
        f"sag {sag}",
        "" if sweep.ram_position_mm is None else f"ram forward by {units.show_mm(sweep.ram_position_mm, unit)}",
    ]
    return ", ".join(word for word in words if word) + "."


def set_up_origin(sweep: Sweep) -> str:
    """Say whose set-up it is, where no person has chosen or confirmed it in this visit; else nothing."""
    if sweep.set_up_from == Sweep.SetUpFrom.VISIT and sweep.taken_over_from:
        return f"Taken over from the visit of {timezone.localtime(sweep.taken_over_from):%Y-%m-%d}; is it so today?"
    if sweep.set_up_from == Sweep.SetUpFrom.STATION:
        return "As the station is set up; is it so today?"
    return ""


def plunger_words(sweep: Sweep) -> str:
    """Say which way the dial counts."""
    return "plunger in reads −" if sweep.plunger_reversed else "plunger in reads +"


def suspect_words(suspect: Suspect, unit: Unit) -> str:
    """Say which reading would explain what does not fit, as a question to who typed it."""
    typed, fits = (units.show_um(um, unit, signed=True, with_unit=True) for um in (suspect.typed_um, suspect.fits_um))
    position = f"{clock_position(suspect.angle_deg)} o'clock"
    if suspect.is_return:
        return f"{position} again at the end would fit as {fits}: is {typed} right?"
    if suspect.repeat > 1:
        return f"{position} of repeat {suspect.repeat} would fit as {fits}: is {typed} right?"
    return f"{position} would fit as {fits}: is {typed} right?"


def shown(reading: Reading | None, unit: Unit) -> str:
    """Return a reading as it was typed, or converted where it was typed in another unit than the reader's."""
    if reading is None:
        return ""
    if reading.unit == unit.value:
        return reading.typed
    return units.show_um(reading.value_um, unit, signed=True)


def told(reading: Reading | AmendedReading, unit: Unit) -> str:
    """Return a reading with its unit: as typed, or in the reader's with what was typed beside it."""
    typed = units.show_typed(reading.typed, reading.unit)
    if reading.unit == unit.value:
        return typed
    return f"{units.show_um(reading.value_um, unit, signed=True, with_unit=True)} (typed {typed})"


def _touched(sweep: Sweep, unit: Unit) -> str:
    if sweep.kind == Sweep.Kind.FACE:
        return f"Face at radius {units.show_mm(sweep.face_radius_mm or 0.0, unit)}, {FACING[sweep.facing]}"
    if sweep.carrier == Station.Carrier.COMPONENT:
        return "Indicator on the component, touching the ram"
    touched = "a bore" if sweep.surface == Station.Surface.BORE else "an outside diameter"
    on = "the bar in the cradle" if sweep.carrier == Station.Carrier.BAR else "the ram line"
    return f"Indicator on {on}, touching {touched}"
