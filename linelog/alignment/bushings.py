"""What a bushing's page in a visit shows: what was measured of it, in words, and old sweeps to be read."""

from __future__ import annotations

from dataclasses import dataclass

from linelog.alignment.computing import Outcome
from linelog.alignment.models import BushingClearance, BushingFitted, BushingPosition, Reading, Stage, Visit
from linelog.calc.clearance import OtherEnd
from linelog.calc.frame import direction_words, view_words
from linelog.calc.readings import View
from linelog.calc.units import Unit
from linelog.plant.models import Station
from linelog.web.units import show_mm, show_um

HOW = (
    "Set the dial beside this bushing, on something that does not move with the ram. Move the ram to both of its "
    "stops: up and down, then left and right. Each full travel is the clearance that way."
)


@dataclass(frozen=True, slots=True)
class OldSweep:
    """A sweep of a bushing from before these were no longer judged: what was typed, and what it came to."""

    stage: str
    readings: tuple[Reading, ...]
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class BushingPage:
    """One bushing in a visit, at one stage."""

    station: Station
    stage: str
    clearances: dict[str, BushingClearance]
    positions: dict[str, BushingPosition]
    fitted: BushingFitted | None
    wear_limit_um: float
    unit: Unit

    @property
    def clearance(self) -> BushingClearance | None:
        """The clearance measured at this stage."""
        return self.clearances.get(self.stage)

    @property
    def position(self) -> BushingPosition | None:
        """The position measured at this stage."""
        return self.positions.get(self.stage)

    @property
    def stage_label(self) -> str:
        """The stage, within a sentence."""
        return Stage(self.stage).label.lower()

    @property
    def how(self) -> str:
        """How the clearance is measured."""
        return HOW

    @property
    def headline(self) -> str:
        """One line for the top of the page: what to do next."""
        return clearance_headline(self.clearance, self.unit)

    @property
    def lever_words(self) -> str:
        """Where the dial stood for the clearance, and what of the other bushing was reckoned with."""
        return lever_words(self.clearance, self.unit) if self.clearance else ""

    @property
    def travel_words(self) -> str:
        """What the dial read."""
        return travel_words(self.clearance, self.unit) if self.clearance else ""

    @property
    def position_words(self) -> str:
        """Where it stands, in the view it was measured in."""
        return position_words(self.position, self.unit) if self.position else ""


def clearance_headline(row: BushingClearance | None, unit: Unit) -> str:
    """Say what a clearance means and what to do next."""
    if row is None:
        return "Measure the clearance: the ram to both stops, up and down, then left and right."
    size = f"{show_um(row.clearance_um, unit)} ± {show_um(row.expanded_um, unit)}"
    of = f"{size} of {show_um(row.limit_um, unit, with_unit=True)}"
    if row.verdict == "out":
        return f"Worn out: clearance {of}. Plan a new bushing; no move mends it."
    if row.left_right_um is None:
        return f"Up and down {of}: now left and right, stop to stop."
    if row.up_down_um is None:
        return f"Left and right {of}: now up and down, stop to stop."
    if row.verdict == "in":
        # It lies on the bottom: half of the travel up and down, whatever it has to the sides.
        low = f"The ram may rest {show_um((row.clearance_up_down_um or 0.0) / 2.0, unit)} low."
        return f"Clearance {of}: inside its wear limit. {low}"
    return f"Clearance {of}: not proven either way. Measure it again with a finer dial."


LEVER = {
    OtherEnd.ROCKS: (
        "Dial at z {z}, worked out by the lever: the other end goes to its opposite stop, its clearance {other}."
    ),
    OtherEnd.TOGETHER: "Dial at z {z}, worked out by the lever: the other end goes along, its clearance {other}.",
    OtherEnd.STAYS: "Dial at z {z}, worked out by the lever: the other end is held where it is.",
}


def travel_words(row: BushingClearance, unit: Unit) -> str:
    """Say by how much the dial went between the ram's two stops, each way."""
    return f"travel up and down {show_um(row.up_down_um, unit)}, left and right {show_um(row.left_right_um, unit)}"


def lever_words(row: BushingClearance, unit: Unit) -> str:
    """Say where the dial stood and what of the other bushing its lever was worked out with; '' beside the bushing."""
    if row.dial_z_mm is None:
        return ""
    ways = (("up and down", row.other_up_down_um), ("left and right", row.other_left_right_um))
    other = ", ".join(f"{way} {show_um(um, unit, with_unit=True)}" for way, um in ways if um is not None)
    return LEVER[OtherEnd(row.other_end)].format(z=show_mm(row.dial_z_mm, unit), other=other or "not known")


def position_words(row: BushingPosition, unit: Unit) -> str:
    """Say where a bushing stands, seen from where it was measured."""
    view = View(row.view)
    size = (row.x_um**2 + row.y_um**2) ** 0.5
    of = f"± {show_um(row.expanded_um, unit, with_unit=True)} in each axis"
    if show_um(size, unit) == show_um(0.0, unit):
        return f"On the line, {of}, {view_words(view)}."
    return f"{show_um(size, unit, with_unit=True)} {direction_words(row.x_um, row.y_um, view)}; {of}."


def bushing_page(visit: Visit, station: Station, stage: str, unit: Unit, wear_limit_um: float) -> BushingPage:
    """Read what a visit holds of a bushing, in three queries."""
    clearances = BushingClearance.objects.filter(visit=visit, station=station).select_related("by")
    positions = BushingPosition.objects.filter(visit=visit, station=station).select_related("by")
    return BushingPage(
        station=station,
        stage=stage,
        clearances={row.stage: row for row in clearances},
        positions={row.stage: row for row in positions},
        fitted=BushingFitted.objects.filter(visit=visit, station=station).first(),
        wear_limit_um=wear_limit_um,
        unit=unit,
    )


def old_sweep(stage: str, outcome: Outcome) -> OldSweep | None:
    """Return an old sweep to be read; None where there is none."""
    if outcome.row is None or not outcome.readings:
        return None
    return OldSweep(Stage(stage).label, tuple(outcome.row.readings.all()), outcome)
