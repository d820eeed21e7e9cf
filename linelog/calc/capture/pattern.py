"""Strokes where the file has neither pulse nor crank angle: by the pattern that every stroke repeats.

The period comes from the autocorrelation of the strongest movement, every stroke is then found by its likeness to
the mean of the first ones. Where full forward lies is read off the pattern: the ram comes back the way it went, so
the pattern is its own mirror image about a dead centre. Which dead centre it is: the one at which the punch is in
the ring, where it ever leaves; else the one with the sharper movement, for the dome is hit there.
"""

from dataclasses import dataclass, field

import numpy as np
import scipy

from linelog.calc.capture.ring import Ring, movements
from linelog.calc.capture.rows import Rows
from linelog.calc.capture.strokes import FASTEST_PER_MIN, SLOWEST_PER_MIN, FoundBy, Marks, no_marks
from linelog.calc.require import Floats

#: A pattern repeats where its autocorrelation is above this; a stroke is one where its likeness is. No source.
LEAST_LIKENESS = 0.5
POINTS = 200  # of a stroke, for the pattern
_SURVEY_ROWS = 400_000
_LEAST_TURNS = 5.0
_LEARNED_TURNS = 50
_DOME_HALF = POINTS // 18  # 20 degrees


@dataclass(slots=True)
class PatternClock:
    """Strokes from the repeating pattern of the probes themselves."""

    ring: Ring
    found_by: FoundBy = FoundBy.PATTERN
    weights: Floats = field(default_factory=lambda: np.empty(0))
    middle: Floats = field(default_factory=lambda: np.empty(0))
    shrink: int = 1  # samples in one point of the pattern
    period: float = 0.0  # in points
    pattern: Floats = field(default_factory=lambda: np.empty(0))
    anchor_deg: float = 0.0  # running angle of the pattern's first point
    count: int = 0
    next_at: float = 0.0  # in points of the held signal
    held: Rows | None = None

    def feed(self, rows: Rows) -> Marks:
        """Return the marks of the strokes found up to these samples."""
        self.held = rows if self.held is None else self.held.follow(rows)
        if not self.period and not self._survey(self.held):
            if len(self.held) > _SURVEY_ROWS:
                self.held = self.held.pick(slice(len(self.held) // 2, None))
            return no_marks()
        return self._track(self.held)

    def _survey(self, rows: Rows) -> bool:
        """Learn the period and the pattern from the first samples; False while they show none."""
        step = float(np.median(np.diff(rows.time_s))) if len(rows) > 2 else 0.0
        if step <= 0.0:
            return False
        coarse = max(1, int(60.0 / FASTEST_PER_MIN / 20.0 / step))
        self.middle = _means(rows.probes)
        probes = self._whole(_averaged(rows.probes, coarse))
        # The strongest common movement: first principal component of the probes.
        self.weights = np.linalg.eigh(np.cov(probes))[1][:, -1]
        signal = self.weights @ probes
        period = _period(signal, 60.0 / FASTEST_PER_MIN / step / coarse, 60.0 / SLOWEST_PER_MIN / step / coarse)
        if period is None:
            return False
        self.shrink = max(1, int(period * coarse / POINTS))
        self.period = period * coarse / self.shrink
        if not self._learn(self._whole(_averaged(rows.probes, self.shrink))):
            self.period = 0.0
        return self.period > 0.0

    def _learn(self, probes: Floats) -> bool:
        """Learn the pattern and where full forward lies in it; False where no stroke is like the first."""
        signal, length = self.weights @ probes, round(self.period)
        self.pattern = _shape(signal[:length])
        for _ in range(2):
            starts = [at for at, like in self._follow(signal, 0.0) if like > LEAST_LIKENESS]
            if not starts:
                return False
            turn = np.mean([_at(probes, at, length) for at in starts[:_LEARNED_TURNS]], axis=0)
            self.pattern = _shape(self.weights @ turn)
        moved = movements(self.ring, (turn + self.middle[:, None]).T).T
        self.anchor_deg = 180.0 - 360.0 * _front(moved) / length
        self.next_at = 0.0
        return True

    def _whole(self, probes: Floats) -> Floats:
        """Departures from the means, with none where a sample is missing."""
        away = probes - self.middle[:, None]
        return np.where(np.isnan(away), 0.0, away)

    def _follow(self, signal: Floats, at: float) -> list[tuple[float, float]]:
        """Start and likeness of every stroke from about `at` on, in points; each is looked for near its due place."""
        length, period = self.pattern.size, self.period
        found: list[tuple[float, float]] = []
        while True:
            lost = bool(found) and found[-1][1] <= LEAST_LIKENESS
            reach = length // 2 if lost else max(3, round(0.06 * period))
            if round(at) + length + reach >= signal.size:
                break
            begin = max(0, round(at) - reach)
            part = signal[begin : round(at) + reach + length]
            likeness = np.correlate(part, self.pattern, "valid")  # its mean is zero: a level adds nothing
            best = int(likeness.argmax())
            start = begin + best + _vertex(likeness, best)
            norm = _norm(part[best : best + length])
            like = float(likeness[best]) / norm if norm > 0.0 else 0.0
            if like > LEAST_LIKENESS:
                if found and found[-1][1] > LEAST_LIKENESS:
                    period += 0.2 * (start - found[-1][0] - period)
                at = start
            found.append((at, like))
            at += period
        self.period = period
        return found

    def _track(self, rows: Rows) -> Marks:
        signal = self.weights @ self._whole(_averaged(rows.probes, self.shrink))
        # The middle of the samples that make a point, so that a mark lies at its time and not at its first sample's.
        centre = (np.arange(signal.size) + 0.5) * self.shrink - 0.5
        time_s = np.interp(centre, np.arange(len(rows)), rows.time_s)
        found = self._follow(signal, self.next_at)
        angles = self.anchor_deg + 360.0 * (self.count + np.arange(len(found)))
        good = np.array([like > LEAST_LIKENESS for _, like in found], dtype=bool)
        starts = np.array([at for at, _ in found])
        self.count += len(found)
        if found:
            self.next_at = found[-1][0] + self.period
        # Let go of whole points that no later stroke needs.
        points = max(0, int(self.next_at - 0.2 * self.period))
        self.held = rows.pick(slice(points * self.shrink, None))
        self.next_at -= points
        return Marks(angles[good], np.interp(starts[good], np.arange(signal.size), time_s))


def _averaged(probes: Floats, size: int) -> Floats:
    """Means of `size` samples on end, of each probe; a rest at the end is left."""
    count = probes.shape[1] // size
    return np.asarray(probes[:, : count * size].reshape(probes.shape[0], count, size).mean(axis=2))


def _means(probes: Floats) -> Floats:
    """Mean of the samples present, of each probe; 0 for a probe that has none."""
    missing = np.isnan(probes)
    return np.asarray(np.where(missing, 0.0, probes).sum(axis=1) / np.maximum((~missing).sum(axis=1), 1))


def _period(signal: Floats, shortest: float, longest: float) -> float | None:
    """Period in points between `shortest` and `longest`, from the autocorrelation; None where nothing repeats."""
    from statsmodels.tsa.stattools import acf

    reach = min(int(longest) + 2, int(signal.size / _LEAST_TURNS))
    if reach <= shortest + 2 or float(np.ptp(signal)) == 0.0:
        return None
    likeness = acf(signal, nlags=min(signal.size - 1, 10 * reach), fft=True, adjusted=True)
    peaks, _ = scipy.signal.find_peaks(likeness[:reach])
    peaks = peaks[peaks >= shortest]
    if not peaks.size or likeness[peaks].max() < LEAST_LIKENESS:
        return None
    # The first of the high ones: its multiples are as high.
    lag = int(peaks[likeness[peaks] > 0.9 * likeness[peaks].max()][0])
    period = lag + _vertex(likeness, lag)
    for times in (2, 4, 8):  # the same peak many turns on tells the period finer
        near = round(times * period)
        wide = max(1, lag // 10)
        if near + wide + 1 >= likeness.size or near + wide > signal.size // 2:
            break
        peak = near - wide + int(likeness[near - wide : near + wide + 1].argmax())
        period = (peak + _vertex(likeness, peak)) / times
    return float(period)


def _front(turn: Floats) -> float:
    """Point of full forward in one mean turn of movements (k, points)."""
    centred = turn - turn.mean(axis=1, keepdims=True)
    spectrum = np.fft.rfft(centred, axis=1)
    # Sum over tau of f(tau)*f(j - tau): highest where j is twice the centre of the mirror.
    mirror = np.fft.irfft((spectrum**2).sum(axis=0), n=turn.shape[1])
    best = int(mirror.argmax())
    centre = (best + _vertex(np.roll(mirror, 1 - best)[:3], 1)) / 2.0
    other = centre + turn.shape[1] / 2.0
    return centre if _dome_signs(turn, centre) >= _dome_signs(turn, other) else other


def _dome_signs(turn: Floats, centre: float) -> float:
    """How much speaks for full forward at `centre`: the punch in the ring first, the sharper movement second."""
    around = turn[:, (round(centre) + np.arange(-_DOME_HALF, _DOME_HALF + 1)) % turn.shape[1]]
    common = turn.mean(axis=0)
    across = float(np.ptp(turn - common, axis=1).max())
    if float(np.ptp(common)) > 3.0 * across:
        return float(around.mean())
    return float((np.diff(around, n=2, axis=1) ** 2).sum())


def _shape(signal: Floats) -> Floats:
    """Return the pattern with its mean taken away and its length brought to one."""
    centred = signal - signal.mean()
    norm = float(np.linalg.norm(centred))
    return np.asarray(centred / norm if norm > 0.0 else centred)


def _norm(signal: Floats) -> float:
    return float(np.linalg.norm(signal - signal.mean()))


def _vertex(values: Floats, at: int) -> float:
    """Shift, within half a step, from a highest point to the top of the parabola through it and its neighbours."""
    if not 0 < at < values.size - 1:
        return 0.0
    left, middle, right = values[at - 1 : at + 2].tolist()
    curve = left - 2.0 * middle + right
    return 0.0 if curve >= 0.0 else max(-0.5, min(0.5, 0.5 * (left - right) / curve))


def _at(probes: Floats, start: float, length: int) -> Floats:
    """Return readings (k, length) from point `start` on, straight between points."""
    first = int(start)
    share = start - first
    return (1.0 - share) * probes[:, first : first + length] + share * probes[:, first + 1 : first + length + 1]
