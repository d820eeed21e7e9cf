"""What a wall sample says, in the words of the shop, and what to look at next."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from linelog.calc.frame import clock_words
from linelog.calc.readings import View, clock_deg
from linelog.calc.units import Unit
from linelog.production.models import WallRing, WallSample
from linelog.web.units import show_um

STATES = {"good": "in", "fair": "unsure", "look": "unsure", "act": "out"}
NEXT = {
    "good": "Nothing to do.",
    "fair": "Between good and look: take the next sample as planned.",
    "look": "Take two more cans. If they agree, check the tool pack at the next stop.",
    "act": "Take two more cans now. If they agree, open a visit for wall variation and sweep the tool pack first.",
}


@dataclass(frozen=True, slots=True)
class Said:
    """One height in words: its state, which side is thin, and how sure that is."""

    height_mm: float
    state: str
    css: str
    side: str
    figures: str


@dataclass(frozen=True, slots=True)
class SampleSaid:
    """The whole sample in words."""

    heights: tuple[Said, ...]
    worst: str
    what_next: str
    tilt: str


def said_of(sample: WallSample, rings: Sequence[WallRing], unit: Unit) -> SampleSaid:
    """Return a sample in words."""
    worst = max(rings, key=lambda ring: ring.judged_um).state if rings else ""
    heights = tuple(_height(ring, unit) for ring in rings)
    return SampleSaid(heights, worst, NEXT.get(worst, ""), tilt_words(sample, rings))


def _height(ring: WallRing, unit: Unit) -> Said:
    def show(um: float, *, with_unit: bool = False) -> str:
        return show_um(um, unit, fine=True, with_unit=with_unit)

    two_e = "" if ring.judged_um <= ring.range_um else f", twice e is {show(ring.judged_um)}"
    figures = (
        f"largest less smallest {show(ring.range_um)}{two_e} {unit.label}; good up to {show(ring.good_um)}, "
        f"look from {show(ring.look_um)}, act from {show(ring.act_um)}"
    )
    return Said(ring.height_mm, ring.get_state_display().lower(), STATES[ring.state], side_words(ring), figures)


def side_words(ring: WallRing) -> str:
    """Say where the wall is thin."""
    if ring.thin_deg is None or ring.thin_within_deg is None:
        return "no thin side: the eccentricity is within its own uncertainty"
    toward = clock_words(ring.thin_deg, View.CRANK)
    return f"thin side at {toward} (± {ring.thin_within_deg:.0f}°), where the punch moved to"


def tilt_words(sample: WallSample, rings: Sequence[WallRing]) -> str:
    """Say whether the wall differs between two heights, and what that hints at; empty with one height."""
    x, y, expanded = sample.tilt_x_mm_per_m, sample.tilt_y_mm_per_m, sample.tilt_expanded_mm_per_m
    if x is None or y is None or expanded is None:
        return ""
    size = math.hypot(x, y)
    if size <= expanded:
        return "The two heights agree within their uncertainty: nothing hints at a tilted tool pack."
    toward = clock_words(clock_deg(x, y), View.CRANK)
    return (
        f"The two heights differ: going up the can, the thick side moves toward {toward}, by {size:.3f} ± "
        f"{expanded:.3f} mm/m. That hints at a tilted tool pack or a punch that wanders; a hint, not a diagnosis."
    )
