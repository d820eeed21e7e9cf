"""The scenario of the demonstration plant, as data: read from fixtures/scenario.toml, whose comments explain it.

A word that the file should not have, or lacks, is a TypeError that names it.
"""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from django.conf import settings

PATH = Path(settings.BASE_DIR) / "fixtures" / "scenario.toml"


@dataclass(frozen=True, slots=True)
class ShiftPlan:
    """A shift of the plant."""

    code: str
    name: str
    starts: dt.time


@dataclass(frozen=True, slots=True)
class Who:
    """An invented person with an account; `pin` is empty for one without."""

    username: str
    first_name: str
    last_name: str
    role: str
    unit: str
    pin: str


@dataclass(frozen=True, slots=True)
class Cause:
    """A spoilage cause: its rate per million at severity 0, and the rise of the log rate per unit of severity."""

    code: str
    name: str
    per_million: float
    per_severity: float


@dataclass(frozen=True, slots=True)
class Drift:
    """How stations wander; shares are of a station's own limit."""

    mean_per_million: float
    walk_per_root_million: float
    bushing_share: float
    tilt_share: float
    start: float
    tool_change: float
    jam: float
    months_between_tools: float
    jams_a_year: float


@dataclass(frozen=True, slots=True)
class Counting:
    """How cans, tear-offs, spoilage, jams and minutes down come about."""

    uptime: float
    uptime_sd: float
    shift_minutes: float
    idle_share: float
    tear_offs_per_million: float
    tear_offs_per_severity: float
    tear_off_spread: float
    spoilage_spread: float
    unnamed_per_million: float
    short_cans_per_million: float
    short_cans_per_severity: float
    jams_per_shift: float
    jams_per_tear_off: float
    other_minutes_down: float
    stops: list[list[int]]


@dataclass(frozen=True, slots=True)
class DialPlan:
    """How the dial and the person err; um and mm."""

    noise_um: float
    return_drift_um: float
    lobes_um: float
    sag_error_um: float
    bore_radius_mm: float
    ram_beyond_mm: float
    running_noise_um: float
    running_expanded_um: float
    running_strokes: int


@dataclass(frozen=True, slots=True)
class Visiting:
    """How often a machine is visited and how thoroughly."""

    every_days: float
    short_share: float
    repeat_share: float
    amended: int
    dropped: str


@dataclass(frozen=True, slots=True)
class ToolPlan:
    """How many million cans a tool makes before another takes its place."""

    punch_million: float
    die_million: float
    other_million: float

    def life_of(self, kind: str) -> int:
        """Return the cans that a tool of a kind makes."""
        found = {"punch": self.punch_million} | {f"ironing_die_{step}": self.die_million for step in (1, 2, 3)}
        return round(found.get(kind, self.other_million) * 1e6)


@dataclass(frozen=True, slots=True)
class WallPlan:
    """How cans are taken and what their wall shows; um and mm."""

    every_days: float
    points: int
    low_mm: float
    high_mm: float
    two_heights_share: float
    step_um: float
    noise_um: float
    ratio: float
    springs_um: float
    top_more_um: float


@dataclass(frozen=True, slots=True)
class WallOff:
    """A wall that is uneven for another reason than the tool pack, from a day on: e, and its thick side."""

    um: float
    toward_deg: float
    from_day: int


@dataclass(frozen=True, slots=True)
class Settles:
    """A station that goes the same way again and again: share of its limit per million strokes, clock direction."""

    station: str
    per_million: float
    toward_deg: float
    until_day: int | None = None


@dataclass(frozen=True, slots=True)
class Plays:
    """A station with clearance: it shows a different way each time, so far off as this share of its limit."""

    station: str
    share: float


@dataclass(frozen=True, slots=True)
class Warms:
    """A station that goes with the oil's temperature: um per degree above 41, toward a clock direction."""

    station: str
    um_per_degree: float
    toward_deg: float


@dataclass(frozen=True, slots=True)
class TakenUp:
    """A repeat problem of a station that somebody took up on a day."""

    day: int
    station: str
    cause_found: str
    action: str


@dataclass(frozen=True, slots=True)
class Wears:
    """A bushing that wears: all stations go the same way together, faster from first day to last, and scatter.

    The clearance of the bushings grows by `clearance_um` from the first day to the last, which nobody wrote down.
    """

    from_um_per_million: float
    to_um_per_million: float
    scatter_um: float
    toward_deg: float
    clearance_um: float


@dataclass(frozen=True, slots=True)
class Happening:
    """A dated event of a machine."""

    day: int
    kind: str
    note: str
    lot: str = ""


@dataclass(frozen=True, slots=True)
class MovedMark:
    """A mark that went to another machine on a day, which belongs to both; `then` is what came in its place."""

    mark: str
    to: str
    day: int
    then: str


@dataclass(frozen=True, slots=True)
class CapturePlan:
    """What the ram does in a running capture; names and units are those of `calc.capture.synthetic.Scenario`."""

    strokes: float
    rate_hz: float
    slope: tuple[float, float]
    split_um: tuple[float, float]
    kick_um: tuple[float, float]
    drift_um_per_min: tuple[float, float]
    warming_per_min: float
    scatter_um: float
    noise_um: float


@dataclass(frozen=True, slots=True)
class WarmUpPlan:
    """Captures of one warm-up, in the manner of a `CapturePlan`: the ram and the oil near what they are when warm.

    `minutes` since the start, `days_ago` before today; the ram lies at `steady_um` + `amplitude_um` * exp(-t/tau).
    """

    capture: str
    days_ago: int
    minutes: tuple[float, ...]
    tau_min: float
    steady_um: tuple[float, float]
    amplitude_um: tuple[float, float]
    cold_c: float
    warm_c: float


@dataclass(frozen=True, slots=True)
class FindingPlan:
    """How often a defect is found: per million cans at severity 0, and the rise of the log rate per unit of severity.

    Severity is that of its station alone, of its slope where `tilt`; no station means that nothing raises it.
    """

    code: str
    per_million: float
    station: str = ""
    per_severity: float = 0.0
    tilt: bool = False


@dataclass(frozen=True, slots=True)
class ToldFinding:
    """A finding that the scenario tells itself; days count from day 0, made the day it was found unless said."""

    day: int
    place: str
    code: str
    quantity: int
    mark: str
    note: str = ""
    made_day: int | None = None
    complaint: str = ""
    customer_reference: str = ""
    containment: str = ""
    cause: str = ""


@dataclass(frozen=True, slots=True)
class MachinePlan:
    """A machine and what is particular about it."""

    line: str
    name: str
    mark: str
    seed: int
    speed_spm: float
    every_days: float | None = None
    idle_share: float | None = None
    drift_share: float = 1.0
    tear_off_share: float = 1.0
    story: str = ""
    running: tuple[str, ...] = ()
    captures: tuple[str, ...] = ()
    warm_up: WarmUpPlan | None = None
    ram: tuple[tuple[float, float, float], ...] = ()  # sections: length, outside, bore in mm; none for a plain ram
    open_today: bool = False
    set_hanging: bool = False  # its stations are set true to the hanging ram; elsewhere to the one that runs
    settles: Settles | None = None
    wears: Wears | None = None
    plays: Plays | None = None
    warms: Warms | None = None
    taken_up: tuple[TakenUp, ...] = ()
    wall_off: WallOff | None = None
    moved_mark: MovedMark | None = None
    events: tuple[Happening, ...] = ()
    finding_shares: dict[str, float] = field(default_factory=dict)

    def worn_um(self, share: float) -> float:
        """Return by how much its bushings are worn wider after a share of all days."""
        return self.wears.clearance_um * share if self.wears else 0.0


@dataclass(frozen=True, slots=True)
class Scenario:
    """The whole plant."""

    days: int
    password: str
    plant: dict[str, Any]
    shifts: tuple[ShiftPlan, ...]
    people: tuple[Who, ...]
    causes: tuple[Cause, ...]
    drift: Drift
    counts: Counting
    dial: DialPlan
    visiting: Visiting
    tools: ToolPlan
    wall: WallPlan
    captures: dict[str, CapturePlan]
    findings: tuple[FindingPlan, ...]
    told_findings: tuple[ToldFinding, ...]
    lines: tuple[str, ...]
    machines: tuple[MachinePlan, ...] = field(default_factory=tuple)

    def only(self, names: Sequence[str], days: int | None = None) -> Scenario:
        """Return the same plant with some of its machines, and the last so many days: quick to load, for tests."""
        return replace(
            self,
            days=days or self.days,
            machines=tuple(machine for machine in self.machines if machine.name in names),
        )


def read(path: Path = PATH) -> Scenario:
    """Read a scenario."""
    table = tomllib.loads(path.read_text(encoding="utf-8"))
    return Scenario(
        days=table["days"],
        password=table["password"],
        plant=table["plant"],
        shifts=tuple(ShiftPlan(**row) for row in table["shifts"]),
        people=tuple(Who(**row) for row in table["people"]),
        causes=tuple(Cause(**row) for row in table["causes"]),
        drift=Drift(**table["drift"]),
        counts=Counting(**table["counts"]),
        dial=DialPlan(**table["dial"]),
        visiting=Visiting(**table["visiting"]),
        tools=ToolPlan(**table["tools"]),
        wall=WallPlan(**table["wall"]),
        captures={name: CapturePlan(**row) for name, row in table["captures"].items()},
        findings=tuple(FindingPlan(**row) for row in table["findings"]),
        told_findings=tuple(ToldFinding(**row) for row in table["told_findings"]),
        lines=tuple(row["name"] for row in table["lines"]),
        machines=tuple(_machine(row) for row in table["machines"]),
    )


def _machine(row: dict[str, Any]) -> MachinePlan:
    parts: dict[str, type] = {"settles": Settles, "wears": Wears, "wall_off": WallOff, "moved_mark": MovedMark}
    parts |= {"plays": Plays, "warms": Warms, "warm_up": WarmUpPlan}
    made = {name: parts[name](**value) if name in parts else value for name, value in row.items()}
    for several in ("running", "captures"):
        made[several] = tuple(row.get(several, ()))
    made["ram"] = tuple(tuple(section) for section in row.get("ram", ()))
    made["events"] = tuple(Happening(**event) for event in row.get("events", ()))
    made["taken_up"] = tuple(TakenUp(**one) for one in row.get("taken_up", ()))
    return MachinePlan(**made)
