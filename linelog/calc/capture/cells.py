"""Samples into cells: the mean reading of each probe in each bin of each stroke, and whether it can be used.

The ring's least squares are linear, so the mean of the readings gives the mean of the places: everything after this
works on a few dozen numbers a stroke, however fast the capture was sampled.
"""

from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

from linelog.calc.capture.ring import Ring
from linelog.calc.capture.rows import Rows
from linelog.calc.require import Floats

Flags = NDArray[np.bool_]

#: A rail not stated is believed where this many cells touch it, and this share of those near it. No source.
_RAIL_CELLS = 8
_RAIL_SHARE = 0.8
_RAIL_NEAR = 0.02
#: A file is rounded: its highest level holds whatever comes within half a step of it. What comes so many steps near
#: without stopping at the top shows a path that turns there by itself. No source.
_RAIL_STEPS = 3.0
#: The scatter within cells is taken of so many strokes.
_SCATTER_STROKES = 100
#: So many bins on end at exactly one value, while other probes move, are a probe that hangs. No source.
_HANGING_SHARE = 6
#: Where the other probes stand still in more than this share of those bins too, it is the rounding of the file.
_STILL_OTHERS = 0.25


@dataclass(frozen=True, slots=True)
class Cells:
    """S strokes of B bins, k probes: `mean` (S, k, B) in file units, NaN where no sample; flags of the same shape.

    `clipped`: a sample of the cell was at the end of the probe's range. `hanging`: the reading stood still while the
    others moved. `lost`: samples missing (S, k, B). `start_s` and `period_s` (S) are of the whole turn,
    `temperature` (S) its mean or NaN.
    """

    mean: Floats
    clipped: Flags
    hanging: Flags
    lost: Flags
    start_s: Floats
    period_s: Floats
    temperature: Floats

    def __len__(self) -> int:
        return int(self.start_s.size)


def join_cells(parts: list[Cells]) -> Cells:
    """Return the strokes of all parts, in order."""
    return Cells(*(np.concatenate([getattr(part, each.name) for part in parts]) for each in fields(Cells)))


@dataclass(slots=True)
class Rails:
    """The ends of each probe's range, stated or learned from readings that pile up at one value.

    `step` is what each probe's readings are rounded to, in file units, as far as was seen; infinite before that.
    `within` (k, B) sums the variances of the readings within the cells of the first `strokes`.
    """

    low: Floats
    high: Floats
    stated: Flags
    step: Floats
    within: Floats = field(default_factory=lambda: np.zeros((1, 1)))
    strokes: int = 0

    @classmethod
    def of(cls, ring: Ring) -> "Rails":
        """Return the rails that the set-up states; infinite where it does not."""
        low = np.array([-np.inf if probe.low is None else probe.low for probe in ring.probes])
        high = np.array([np.inf if probe.high is None else probe.high for probe in ring.probes])
        return cls(low, high, np.isfinite(low) | np.isfinite(high), np.full(low.shape, np.inf))

    def scatter(self) -> Floats:
        """Mean variance (k, B) of the readings within a cell, in square file units."""
        return np.asarray(self.within / max(self.strokes, 1))

    def note(self, within: Floats) -> None:
        """Add the variances (S, k, B) of the readings within cells."""
        self.within = self.within + within.sum(axis=0)
        self.strokes += within.shape[0]

    def learn(self, lowest: Floats, highest: Floats) -> None:
        """Look for a pile at the top of the cells' maxima (S, k, B) and at the bottom of their minima."""
        for probe in range(len(self.stated)):
            top, bottom = highest[:, probe], lowest[:, probe]
            span = float(np.fmax.reduce(top, axis=None) - np.fmin.reduce(bottom, axis=None))
            if span > 0.0:
                self.step[probe] = min(self.step[probe], _smallest_step(top, bottom, span))
                if not self.stated[probe]:
                    near = max(_RAIL_NEAR * span, _RAIL_STEPS * self.step[probe])
                    self.high[probe] = min(self.high[probe], _pile(top, near))
                    self.low[probe] = max(self.low[probe], -_pile(-bottom, near))


def _smallest_step(top: Floats, bottom: Floats, span: float) -> float:
    """Return the smallest difference between two readings that are not the same but for rounding in binary."""
    apart = np.diff(np.unique(np.concatenate([top.ravel(), bottom.ravel()])))
    return float(np.min(apart, where=apart > 1e-6 * span, initial=np.inf))  # a NaN is no step


def _pile(tops: Floats, band: float) -> float:
    """Return the highest value if the cells within `band` of it nearly all stop exactly there; else infinity."""
    top = float(np.fmax.reduce(tops, axis=None))
    at, near = np.count_nonzero(tops == top), np.count_nonzero(tops > top - band)
    return top if at >= _RAIL_CELLS and at >= _RAIL_SHARE * near else np.inf


def cut_cells(rows: Rows, edges: Floats, rails: Rails) -> tuple[Floats, Flags, Flags, Flags]:
    """Return mean, clipped, hanging, lost (S, k, B) of samples cut at `edges` (S, B + 1).

    Edges are in rows and need not be whole: a sample stands for half a row on either side of it, and one that an edge
    cuts through counts in part on both sides. Else each bin's mean would lie up to half a sample off its middle.
    """
    edges = np.clip(edges + 0.5, 0.0, len(rows) - 1.0)
    whole, width = edges.astype(np.intp), np.diff(edges, axis=1)
    shape = (edges.shape[0], rows.probes.shape[0], edges.shape[1] - 1)
    total, present, lowest, highest = (np.empty(shape) for _ in range(4))
    for probe, values in enumerate(rows.probes):
        missing = np.isnan(values)
        present[:, probe] = width
        known = values
        if missing.any():
            known = np.where(missing, 0.0, values)
            present[:, probe] -= _integral(missing.astype(np.float64), edges, whole)
        total[:, probe] = _integral(known, edges, whole) + _bent(values, edges, whole)
        lowest[:, probe] = _by_cell(np.fmin, values, whole)
        highest[:, probe] = _by_cell(np.fmax, values, whole)
    rails.learn(lowest, highest)
    if rails.strokes < _SCATTER_STROKES:
        rails.note(_within(rows, edges[:_SCATTER_STROKES], whole[:_SCATTER_STROKES]))
    lost = present < 0.5 * np.maximum(width[:, None], 1e-6)
    mean = np.where(lost, np.nan, total / np.where(lost, 1.0, present))
    clipped: Flags = (highest >= rails.high[:, None]) | (lowest <= rails.low[:, None])
    return mean, clipped & ~lost, _hanging(lowest, highest, rails.step) & ~clipped & ~lost, lost


def _within(rows: Rows, edges: Floats, whole: NDArray[np.intp]) -> Floats:
    """Variance (S, k, B) of the samples within each cell, about its own mean; 0 where there is no sample."""
    out = np.empty((edges.shape[0], rows.probes.shape[0], edges.shape[1] - 1))
    last = min(int(whole.max()) + 1, len(rows) - 1)
    for probe, values in enumerate(rows.probes[:, : last + 1]):
        missing = np.isnan(values)
        middle = float(np.nanmean(values)) if not missing.all() else 0.0
        known = np.where(missing, 0.0, values - middle)
        count = np.maximum(_integral((~missing).astype(np.float64), edges, whole), 1e-9)
        mean = _integral(known, edges, whole) / count
        out[:, probe] = np.maximum(_integral(known**2, edges, whole) / count - mean**2, 0.0)
    return out


def _integral(values: Floats, edges: Floats, whole: NDArray[np.intp]) -> Floats:
    """Sum of values between edges (in rows, the value at row i filling i to i + 1), with the parts at both ends."""
    parts = (edges - whole) * values[whole]
    inner = np.where(np.diff(whole, axis=1) > 0, _by_cell(np.add, values, whole), 0.0)
    return np.asarray(inner + parts[:, 1:] - parts[:, :-1])


def _bent(values: Floats, edges: Floats, whole: NDArray[np.intp]) -> Floats:
    """Return what a smooth curve through the samples adds to their steps between edges; 0 where one is missing.

    The first term of Euler's and Maclaurin's formula (NIST Digital Library of Mathematical Functions, 2.10(i)),
    carried to edges within a step. Without it a dozen samples of a kick are off by some hundredths of a micrometre,
    more than hundreds of strokes leave to chance.
    """
    share = edges - whole
    slope = 0.5 * (values[np.minimum(whole + 1, values.size - 1)] - values[np.maximum(whole - 1, 0)])
    slope = np.where(np.isnan(slope + values[whole]), 0.0, slope)
    return np.asarray(np.diff(slope * (0.5 * share * (share - 1.0) + 1.0 / 24.0), axis=1))


def _by_cell(ufunc: np.ufunc, values: Floats, whole: NDArray[np.intp]) -> Floats:
    """Reduce each run of samples between edges; the run from a stroke's last edge to the next stroke is dropped."""
    return np.asarray(ufunc.reduceat(values, whole.ravel()).reshape(whole.shape)[:, :-1])


def _hanging(lowest: Floats, highest: Floats, step: Floats) -> Flags:
    still: Flags = np.asarray(lowest == highest)
    still &= ~still.all(axis=1, keepdims=True)
    same = still[:, :, 1:] & still[:, :, :-1] & (lowest[:, :, 1:] == lowest[:, :, :-1])
    run = max(3, still.shape[2] // _HANGING_SHARE)
    out = np.zeros_like(still)
    if run > still.shape[2]:
        return out
    window = np.lib.stride_tricks.sliding_window_view(same, run - 1, axis=2).all(axis=3)
    window &= _others_still(still, run) <= _STILL_OTHERS
    window &= _another_moved(lowest, highest, step, run)
    for shift in range(run):
        out[:, :, shift : shift + window.shape[2]] |= window
    return out


def _others_still(still: Flags, run: int) -> Floats:
    """Share of the cells of each run of bins (S, k, runs) in which the other probes stand still."""
    each = np.lib.stride_tricks.sliding_window_view(still, run, axis=2).mean(axis=3)
    return np.asarray((each.sum(axis=1, keepdims=True) - each) / max(1, still.shape[1] - 1))


def _another_moved(lowest: Floats, highest: Floats, step: Floats, run: int) -> Flags:
    """Whether, over each run of bins (S, k, runs), some other probe moved by more than rounding can hide."""
    top = np.lib.stride_tricks.sliding_window_view(highest, run, axis=2).max(axis=3)
    bottom = np.lib.stride_tricks.sliding_window_view(lowest, run, axis=2).min(axis=3)
    rounding = np.where(np.isfinite(step), _RAIL_STEPS * step, 0.0)
    moved = (top - bottom > rounding[:, None]).astype(np.int64)
    return np.asarray(moved.sum(axis=1, keepdims=True) - moved > 0)


def mean_over(values: Floats, whole: NDArray[np.intp]) -> Floats:
    """Mean of the samples present between pairs of whole row numbers (S, 2); NaN where none is."""
    missing = np.isnan(values)
    count = np.diff(whole, axis=1)[:, 0].astype(np.float64)
    if missing.any():
        count -= _by_cell(np.add, missing.astype(np.float64), whole)[:, 0]
        values = np.where(missing, 0.0, values)
    return np.where(count > 0.0, _by_cell(np.add, values, whole)[:, 0] / np.maximum(count, 1.0), np.nan)
