"""What a running capture gave: frozen records that turn into dicts of JSON's own types, to be stored as they are.

Every number carries its unit in its name. `ram_*` is where the ram ran in the ring; `offset` is the station's offset
by the frame's rule, component centre minus ram line, and so the negative of it.
"""

import math
from dataclasses import dataclass, fields, is_dataclass
from enum import Enum
from typing import Any

import numpy as np

from linelog.calc.capture.odd import Odd
from linelog.calc.capture.stats import Drift, Mean
from linelog.calc.uncertainty import Planar

#: Raised whenever the same file would give other numbers.
ALGORITHM_VERSION = "2"


@dataclass(frozen=True, slots=True)
class FileFacts:
    """What was read; times in s. `notes` are sentences on what was left out."""

    kind: str
    samples: int
    start_s: float
    end_s: float
    rate_hz: float
    repeated_times: int
    gaps: int
    longest_gap_s: float
    first_gap_s: float
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StrokeFacts:
    """How the strokes were found and what became of them; speeds in strokes a minute.

    `off_speed` turns lasted too long or too short, `odd` were set aside by the robust rule, `used` went into the
    results. `speed_sd_percent` is a robust spread of the durations, `speed_range_percent` the range of
    their running mean over ten turns.
    """

    found_by: str
    found: int
    off_speed: int
    odd: int
    used: int
    speed_per_min: float
    speed_sd_percent: float
    speed_range_percent: float
    odd_strokes: tuple[Odd, ...]


@dataclass(frozen=True, slots=True)
class ProbeFacts:
    """Shares, in percent of a probe's cells while the punch was in the ring."""

    column: str
    clipped_percent: float
    hanging_percent: float
    lost_percent: float
    left_out_percent: float


@dataclass(frozen=True, slots=True)
class Path:
    """Mean path of a phase, one value a bin: ram position, crank angle, place, scatter of strokes, standard error.

    `low` and `high` bound the band that holds 90 % of the strokes.
    """

    position_mm: tuple[float, ...]
    angle_deg: tuple[float, ...]
    x_um: tuple[float, ...]
    y_um: tuple[float, ...]
    x_low_um: tuple[float, ...]
    x_high_um: tuple[float, ...]
    y_low_um: tuple[float, ...]
    y_high_um: tuple[float, ...]
    x_sd_um: tuple[float, ...]
    y_sd_um: tuple[float, ...]
    x_u_um: tuple[float, ...]
    y_u_um: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Series:
    """One phase stroke by stroke, thinned by means of neighbours for a chart; temperature only where recorded."""

    time_s: tuple[float, ...]
    x_um: tuple[float, ...]
    y_um: tuple[float, ...]
    temperature: tuple[float, ...] | None
    strokes_a_point: int


@dataclass(frozen=True, slots=True)
class PhaseResult:
    """One phase of the stroke. Slopes are None for the dome, where the ram hardly travels.

    `ram_x`, `ram_y` in um; `slope_x`, `slope_y` in mm/m (um of movement per mm of travel); `drift_*` in um/min,
    `drift_*_temperature` in um per degree, None without a temperature that changed. `spread_um` is the radial
    scatter of one stroke. `filled_percent` of the cells were missing and filled in. `memory` is the likelihood of
    each memory (`memory.py`), told by long captures.
    """

    strokes: int
    path: Path
    ram_x: Mean
    ram_y: Mean
    offset: Planar
    slope_x: Mean | None
    slope_y: Mean | None
    spread_um: float
    drift_x: Drift
    drift_y: Drift
    drift_x_temperature: Drift | None
    drift_y_temperature: Drift | None
    filled_percent: float
    series: Series
    memory: tuple[tuple[float, ...], ...] | None


@dataclass(frozen=True, slots=True)
class Split:
    """Forward path minus return path at the same ram positions: its mean (x, y) and where it is largest."""

    x: Mean
    y: Mean
    size_um: float
    half_width_um: float
    largest_um: float
    largest_at_mm: float


@dataclass(frozen=True, slots=True)
class Kick:
    """Movement at doming: the largest departure, within the dome, from where the ram ran just before it."""

    x: Mean
    y: Mean
    size_um: float
    half_width_um: float
    angle_deg: float


@dataclass(frozen=True, slots=True)
class More:
    """What more strokes would buy: half width of the offset's 95 % interval after `strokes` used."""

    strokes: int
    half_width_um: float


@dataclass(frozen=True, slots=True)
class MoreStrokes:
    """The present half width, what more strokes would make of it, and how many reach the wanted one.

    `wanted_strokes` is None where the probes' own uncertainty, which no stroke reduces, is already above it.
    """

    phase: str
    now: More
    later: tuple[More, ...]
    wanted_um: float
    wanted_strokes: int | None


class SureBy(Enum):
    """What tells how much strokes remember of one another, and with it how sure an offset is."""

    MACHINE = "machine"
    CAPTURE = "capture"
    NOTHING = ""


@dataclass(frozen=True, slots=True)
class Sure:
    """What the intervals rest on, and how many strokes a capture needs to have one: alone, or to serve others."""

    by: SureBy
    fewest_alone: int
    long_enough: int


@dataclass(frozen=True, slots=True)
class Caution:
    """One warning: what it is about, its figures by name, the sentence in µm, and what to look at.

    `subject` is the phase or probe it speaks of. A page makes the sentence anew from code, figures and subject, in
    the reader's unit.
    """

    code: str
    figures: dict[str, float]
    sentence: str
    look_at: str
    subject: str = ""


@dataclass(frozen=True, slots=True)
class CaptureResult:
    """Everything that a capture gave, by the version of the sums that made it."""

    version: str
    file: FileFacts
    strokes: StrokeFacts
    probes: tuple[ProbeFacts, ...]
    disagreement_um: float | None
    forward: PhaseResult | None
    dome: PhaseResult | None
    back: PhaseResult | None
    split: Split | None
    kick: Kick | None
    more_strokes: MoreStrokes
    sure: Sure
    cautions: tuple[Caution, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return the whole as dicts, lists, strings and finite numbers; infinite degrees of freedom become None."""
        plain: dict[str, Any] = to_plain(self)
        return plain


def to_plain(value: Any) -> Any:
    """Turn a record, and what is in it, into JSON's own types."""
    if is_dataclass(value) and not isinstance(value, type):
        return {each.name: to_plain(getattr(value, each.name)) for each in fields(value)}
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, dict):
        return {str(key): to_plain(each) for key, each in value.items()}
    if isinstance(value, (tuple, list, np.ndarray)):
        return [to_plain(each) for each in value]
    if isinstance(value, np.generic):
        return to_plain(value.item())
    return None if isinstance(value, float) and not math.isfinite(value) else value
