"""From samples to strokes of cells, a run of samples at a time, holding back the stroke in progress."""

from dataclasses import dataclass, field

import numpy as np

from linelog.calc.capture.cells import Cells, Rails, cut_cells, join_cells, mean_over
from linelog.calc.capture.motion import Bins, Crank, make_bins
from linelog.calc.capture.pattern import PatternClock
from linelog.calc.capture.ring import Ring
from linelog.calc.capture.rows import Rows, Signals
from linelog.calc.capture.strokes import Clock, Cycles, Marks, PhaseClock, PulseClock, times_at
from linelog.calc.errors import CalcError
from linelog.calc.require import Floats

#: An hour at 330 strokes a minute; more would not fit the memory promised.
MOST_STROKES = 20_000
#: Samples held for a stroke in progress; beyond it the machine stands.
_MOST_HELD = 1_000_000
_SAMPLES_A_BIN = 3.0
_TRAVEL_BINS, _DOME_BINS = 24, 10
_FEWEST_TRAVEL_BINS = 4


def make_clock(ring: Ring, signals: Signals) -> Clock:
    """Return the surest clock that the columns allow: crank angle, else pulse, else the repeating pattern."""
    if signals.phase is not None:
        return PhaseClock(signals)
    return PulseClock(signals) if signals.pulse is not None else PatternClock(ring)


@dataclass(slots=True)
class Collector:
    """Takes samples in order and gathers the cells of every whole stroke."""

    crank: Crank
    clock: Clock
    rails: Rails
    cycles: Cycles = field(default_factory=Cycles)
    bins: Bins | None = None
    parts: list[Cells] = field(default_factory=list)
    strokes: int = 0
    held: Rows | None = None

    def add(self, rows: Rows) -> None:
        """Take the next samples; raise `CalcError` where there are more strokes than can be worked through."""
        if not len(rows):
            return
        held = rows if self.held is None else self.held.follow(rows)
        turns, marks = self.cycles.add(self.clock.feed(rows))
        if turns.size:
            self._cut(held, turns, marks)
        self.held = self._hold(held)
        if self.strokes > MOST_STROKES:
            raise CalcError(
                f"The capture has more than {MOST_STROKES:,} strokes: cut it into shorter ones.", field="file"
            )

    def result(self) -> tuple[Cells, Bins]:
        """Return all strokes and the bins they were cut into; raise `CalcError` where there is none."""
        if not self.parts or self.bins is None:
            why = self.clock.why_none() if isinstance(self.clock, PhaseClock) and not self.clock.sense else ""
            raise CalcError(why or f"No whole stroke was found by {self.clock.found_by.value}.", field="file")
        cells = join_cells(self.parts)
        self.parts = []
        return cells, self.bins

    def _cut(self, held: Rows, turns: Floats, marks: Marks) -> None:
        starts = times_at(marks, 360.0 * turns)
        ends = times_at(marks, 360.0 * (turns + 1.0))
        inside = (starts >= held.time_s[0]) & (ends <= held.time_s[-1])
        turns, starts, ends = turns[inside], starts[inside], ends[inside]
        if not turns.size:
            return
        if self.bins is None:
            turn_samples = (len(held) - 1) * float(np.median(ends - starts)) / float(np.ptp(held.time_s))
            self.bins = _fitting_bins(self.crank, turn_samples)
        times = times_at(marks, 360.0 * turns[:, None] + self.bins.edges_deg)
        edges = np.interp(times, held.time_s, np.arange(len(held)))
        temperature = np.full(turns.size, np.nan)
        if held.temperature is not None:
            whole = np.searchsorted(held.time_s, np.column_stack([starts, ends]))
            temperature = mean_over(held.temperature, np.minimum(whole, len(held) - 1))
        self.parts.append(Cells(*cut_cells(held, edges, self.rails), starts, ends - starts, temperature))
        self.strokes += turns.size

    def _hold(self, held: Rows) -> Rows:
        """Keep the samples from the last mark on: the stroke in progress needs no older ones."""
        marks = self.cycles.marks.time_s
        first = int(np.searchsorted(held.time_s, marks[0])) if marks.size else 0
        first = max(first - 1, len(held) - _MOST_HELD, 0)
        return held.pick(slice(first, None))


def _fitting_bins(crank: Crank, samples_a_turn: float) -> Bins:
    """Return the usual bins, or fewer and wider ones where the capture is sampled slowly."""
    narrowest = float(np.diff(make_bins(crank).edges_deg).min()) / 360.0 * samples_a_turn
    travel = min(_TRAVEL_BINS, int(_TRAVEL_BINS * narrowest / _SAMPLES_A_BIN + 0.01))
    if travel < _FEWEST_TRAVEL_BINS:
        raise CalcError(
            f"A stroke has only {samples_a_turn:.0f} samples: record at a higher rate, at least 100 a stroke.",
            field="file",
        )
    return make_bins(crank, travel, max(3, travel * _DOME_BINS // _TRAVEL_BINS))
