"""The path of the ram in each stroke, from the cells, with what the probes could not see left out honestly.

A probe that clips in a bin is not used in that bin in any stroke: leaving out only the strokes that clipped would
keep the ones that happened to lie the other way. The ring then goes on with the probes that are left.
"""

from dataclasses import dataclass

import numpy as np

from linelog.calc.capture.cells import Cells, Flags
from linelog.calc.capture.motion import Bins, Phase
from linelog.calc.capture.ring import Ring, place
from linelog.calc.require import Floats

#: Clipped in more than this share of the strokes, a probe is out for that bin. No source.
_CLIPPED_OUT = 0.005
#: A bin is told of where this share of the strokes has it, a stroke where it has this share of its bins. No source.
_BIN_PRESENT = 0.8
_STROKE_PRESENT = 0.5


@dataclass(frozen=True, slots=True)
class Seen:
    """Which cells could be used: `usable` (S, k, B); `present` (B): the punch was in the ring there.

    Shares, of the cells where the punch was in the ring, per probe: clipped, hanging, lost.
    """

    usable: Flags
    present: Flags
    clipped: Floats
    hanging: Floats
    lost: Floats


@dataclass(frozen=True, slots=True)
class PhasePaths:
    """Paths of one phase: `strokes` (S') tells which strokes, `bins` (B') which bins; `xy_um` is (S', B', 2), whole.

    `filled` is the share of cells that were missing and took their stroke's mean departure from the mean path.
    """

    phase: Phase
    strokes: np.ndarray[tuple[int], np.dtype[np.intp]]
    bins: np.ndarray[tuple[int], np.dtype[np.intp]]
    xy_um: Floats
    filled: float


def what_was_seen(cells: Cells) -> Seen:
    """Decide cell by cell what can be used. Where all probes are at their ends, the punch is not in the ring."""
    away = cells.clipped.all(axis=1).mean(axis=0) > 0.5
    # The bin in which the punch comes or goes is half of each.
    present = ~(away | np.append(away[1:], False) | np.append(False, away[:-1]))
    clipped_out = cells.clipped.mean(axis=0) > _CLIPPED_OUT
    usable = ~(cells.clipped | cells.hanging | cells.lost | clipped_out)
    usable &= present

    def share(flags: Flags) -> Floats:
        return flags[:, :, present].mean(axis=(0, 2)) if present.any() else np.zeros(flags.shape[1])

    return Seen(usable, present, share(cells.clipped), share(cells.hanging), share(cells.lost))


def stroke_paths(ring: Ring, cells: Cells, seen: Seen) -> Floats:
    """Place of the ram in every stroke and bin, (S, B, 2) in um; NaN where it could not be told."""
    paths = np.empty((len(cells), cells.mean.shape[2], 2))
    for index in range(paths.shape[1]):  # bin by bin, so that a long capture needs no second copy of itself
        placed = place(ring, cells.mean[:, :, index], seen.usable[:, :, index])
        paths[:, index, 0], paths[:, index, 1] = placed.x_um, placed.y_um
    return paths


def phase_paths(phase: Phase, bins: Bins, paths: Floats, strokes: Flags) -> PhasePaths | None:
    """Take one phase of the given strokes (S), whole; None where the ring saw too little of it.

    A stroke that lacks more than half its bins is left out. What little is missing in the others is filled with the
    mean path plus that stroke's mean departure from it, which leaves both its offset and the mean path as they are.
    """
    index = np.array(bins.of(phase), dtype=np.intp)
    there = ~np.isnan(paths[:, index, 0]) & strokes[:, None]
    wanted = max(1, int(strokes.sum()))
    kept = there.sum(axis=0) >= _BIN_PRESENT * wanted
    if kept.sum() < 2:
        return None
    rows = np.flatnonzero(strokes & (there[:, kept].mean(axis=1) >= _STROKE_PRESENT))
    if not rows.size:
        return None
    xy = paths[np.ix_(rows, index[kept])]
    holes = np.isnan(xy)
    if holes.any():
        # Departures first: a stroke's mean over fewer bins would otherwise carry the shape of the path.
        mean = np.nanmean(xy, axis=0)
        own = np.nanmean(xy - mean, axis=1, keepdims=True)
        xy = np.where(holes, mean + own, xy)
    return PhasePaths(phase, rows, index[kept], xy, float(holes.mean()))
