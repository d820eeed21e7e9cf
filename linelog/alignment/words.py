"""What the log says in words."""

from __future__ import annotations

from linelog.alignment.models import Reading, Sweep
from linelog.calc.readings import clock_position
from linelog.calc.suspect import Suspect
from linelog.calc.units import Unit
from linelog.plant.models import Station
from linelog.web import units


def set_up_words(sweep: Sweep, unit: Unit) -> str:
    """Say how a sweep is made, for the mechanic to check at a glance."""
    if sweep.kind == Sweep.Kind.FACE:
        what = f"Face at radius {sweep.face_radius_mm or 0:g} mm"
    elif sweep.carrier == Station.Carrier.COMPONENT:
        what = "Indicator on the component, touching the ram"
    else:
        touched = "a bore" if sweep.surface == Station.Surface.BORE else "an outside diameter"
        on = "the bar in the cradle" if sweep.carrier == Station.Carrier.BAR else "the ram line"
        what = f"Indicator on {on}, touching {touched}"
    step = units.show_um(sweep.resolution_um, unit, with_unit=True)
    sag = units.show_um(sweep.sag_um, unit, with_unit=True)
    words = [
        what,
        f"{sweep.positions} positions",
        sweep.get_view_display().lower(),
        f"dial step {step}",
        f"sag {sag}",
    ]
    if sweep.plunger_reversed:
        words.append("dial counts down when pressed in")
    if sweep.indicator:
        words.append(f"indicator {sweep.indicator}")
    return ", ".join(words) + "."


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
    """Return a reading as it was typed, or converted where the sweep is now read in another unit."""
    if reading is None:
        return ""
    if reading.unit == unit.value:
        return reading.typed
    return units.show_um(reading.value_um, unit, signed=True)
