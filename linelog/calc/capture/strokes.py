"""Where the strokes are: a clock that says at what time the crank stood at which angle.

Crank angle here runs on without wrapping: 0 at one rear dead centre, 360 at the next. A clock is fed the samples in
order and gives marks (angle, time); between marks the crank is taken to turn evenly.
"""

from dataclasses import dataclass, field
from enum import Enum
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from linelog.calc.capture.rows import Rows, Signals
from linelog.calc.errors import CalcError
from linelog.calc.require import Floats

#: No bodymaker turns faster; what comes sooner after a pulse is bounce. Common practice, no source.
FASTEST_PER_MIN = 1200.0
SLOWEST_PER_MIN = 20.0
_MARK_DEG = 6.0
_HOLE_DEG = 400.0


class FoundBy(Enum):
    """What the strokes were found by."""

    PHASE = "crank angle"
    PULSE = "pulse"
    PATTERN = "repeating pattern"


@dataclass(frozen=True, slots=True)
class Marks:
    """Crank angles in degrees, running on, and the times in s at which the crank stood there; both rising."""

    angle_deg: Floats
    time_s: Floats

    def then(self, later: "Marks") -> "Marks":
        """Return these marks and later ones."""
        return Marks(np.concatenate([self.angle_deg, later.angle_deg]), np.concatenate([self.time_s, later.time_s]))


def no_marks() -> Marks:
    """Return an empty set of marks."""
    return Marks(np.empty(0), np.empty(0))


class Clock(Protocol):
    """What finds the strokes."""

    found_by: FoundBy

    def feed(self, rows: Rows) -> Marks:
        """Take the next samples; return the marks that became known."""
        ...


@dataclass(slots=True)
class PulseClock:
    """Strokes from a pulse once a turn: its rising edge, half way between its lowest and highest reading."""

    signals: Signals
    found_by: FoundBy = FoundBy.PULSE
    count: int = 0
    low: float = np.inf
    high: float = -np.inf
    last_mark_s: float = -np.inf
    before: tuple[float, float] | None = None  # time and reading of the last sample fed

    def feed(self, rows: Rows) -> Marks:
        """Return the marks of the pulses that begin within these samples."""
        if rows.pulse is None:
            return no_marks()
        missing = np.isnan(rows.pulse)
        pulse = np.where(missing, min(self.low, 0.0), rows.pulse) if missing.any() else rows.pulse
        self.low, self.high = min(self.low, float(pulse.min())), max(self.high, float(pulse.max()))
        time_s = rows.time_s
        if self.before is not None:
            time_s, pulse = np.append(self.before[0], time_s), np.append(self.before[1], pulse)
        self.before = (float(time_s[-1]), float(pulse[-1]))
        middle = (self.low + self.high) / 2.0
        over = pulse > middle
        edges = np.flatnonzero(over[1:] & ~over[:-1])
        share = (middle - pulse[edges]) / (pulse[edges + 1] - pulse[edges])
        times = self._apart(time_s[edges] + share * (time_s[edges + 1] - time_s[edges]))
        angles = self.signals.pulse_at_deg + 360.0 * (self.count + np.arange(times.size))
        self.count += times.size
        return Marks(np.asarray(angles, np.float64), times)

    def _apart(self, times: Floats) -> Floats:
        kept = []
        for time in times.tolist():
            if time - self.last_mark_s >= 60.0 / FASTEST_PER_MIN:
                kept.append(time)
                self.last_mark_s = time
        return np.array(kept, dtype=np.float64)


@dataclass(slots=True)
class PhaseClock:
    """Strokes from a crank angle channel in degrees, of either sense, wrapped anywhere or not at all."""

    signals: Signals
    found_by: FoundBy = FoundBy.PHASE
    sense: float = 0.0
    next_mark: float = -np.inf
    turns: float = 0.0
    before: tuple[float, float] | None = None  # time and reading of the last sample fed
    lowest: float = np.inf
    highest: float = -np.inf

    def feed(self, rows: Rows) -> Marks:
        """Return marks every few degrees of the turns within these samples."""
        if rows.phase is None:
            return no_marks()
        if np.isnan(rows.phase).any():
            place = rows.where(int(np.isnan(rows.phase).argmax()))
            raise CalcError(f"{place} has no crank angle.", field="phase")
        time_s, phase = rows.time_s, rows.phase - self.signals.phase_at_rear_deg
        if self.before is not None:
            time_s, phase = np.append(self.before[0], time_s), np.append(self.before[1], phase)
        self.before = (float(time_s[-1]), float(phase[-1]))
        self.lowest, self.highest = min(self.lowest, float(phase.min())), max(self.highest, float(phase.max()))
        return self._marks(time_s, self._running(phase))

    def _running(self, phase: Floats) -> Floats:
        """Return the running angle: whole turns added at each wrap, and no step back for an encoder that trembles."""
        step = np.diff(phase)
        down, up = np.count_nonzero(step < -180.0), np.count_nonzero(step > 180.0)
        if self.sense == 0.0 and (down or up or abs(phase[-1] - phase[0]) > 360.0):
            falls = down < up if down or up else phase[-1] < phase[0]
            self.sense = -1.0 if falls else 1.0
        running = phase + 360.0 * self.turns
        if down or up:
            wraps = np.cumsum((step < -180.0).astype(np.int32) - (step > 180.0).astype(np.int32))
            running[1:] += 360.0 * wraps
            self.turns += float(wraps[-1])
        running *= self.sense or 1.0
        return np.maximum.accumulate(running)

    def _marks(self, time_s: Floats, running: Floats) -> Marks:
        if self.sense == 0.0:
            return no_marks()
        if self.next_mark == -np.inf:
            self.next_mark = float(np.ceil(running[0] / _MARK_DEG)) * _MARK_DEG
        angles = np.arange(self.next_mark, running[-1], _MARK_DEG)
        if not angles.size:
            return no_marks()
        self.next_mark = float(angles[-1]) + _MARK_DEG
        return Marks(angles, np.interp(angles, running, time_s))

    def why_none(self) -> str:
        """Say why no stroke was found."""
        low, high = self.lowest, self.highest
        return f"The crank angle runs only from {low:.3g} to {high:.3g}: whole turns in degrees are wanted."


@dataclass(slots=True)
class Cycles:
    """Turns complete within the marks so far, given out once each."""

    marks: Marks = field(default_factory=no_marks)
    next_turn: float | None = None

    def add(self, new: Marks) -> tuple[Floats, Marks]:
        """Add marks; return the turn numbers (n) now complete, and all marks they need."""
        marks = self.marks.then(new)
        self.marks = marks
        if marks.angle_deg.size < 2:
            return np.empty(0), marks
        if self.next_turn is None:
            self.next_turn = float(np.ceil(marks.angle_deg[0] / 360.0))
        turns = np.arange(self.next_turn, np.floor(marks.angle_deg[-1] / 360.0))
        if turns.size:
            self.next_turn = float(turns[-1]) + 1.0
            turns = turns[~_across_a_hole(marks.angle_deg, turns)]
        # Keep from the mark at or before the next turn's start.
        keep = max(0, int(np.searchsorted(marks.angle_deg, 360.0 * self.next_turn, side="right")) - 1)
        self.marks = Marks(marks.angle_deg[keep:], marks.time_s[keep:])
        return turns, marks


def _across_a_hole(angles_deg: Floats, turns: Floats) -> NDArray[np.bool_]:
    """Whether marks are missing within each turn, so that its angles would be a guess."""
    holes = np.append(0, np.cumsum(np.diff(angles_deg) > _HOLE_DEG))
    before = np.searchsorted(angles_deg, 360.0 * turns, side="right") - 1
    after = np.searchsorted(angles_deg, 360.0 * (turns + 1.0))
    return np.asarray(holes[after] > holes[before])


def times_at(marks: Marks, angles_deg: Floats) -> Floats:
    """Return the times at which the crank stood at running angles of any shape, evenly between marks."""
    return np.interp(angles_deg, marks.angle_deg, marks.time_s)
