"""Whether a probe whose readings pile up at one level is at the end of its range, or the ram stood still there.

In a file rounded coarsely a still ram looks like a clipped probe, and one probe alone cannot tell them apart. The
others can: at the end of its range a probe stays where it is while they say that the ram went on.
"""

from dataclasses import replace

import numpy as np

from linelog.calc.capture.cells import Cells, Rails
from linelog.calc.capture.ring import Ring, design_matrix, movements
from linelog.calc.require import Floats

Bins = np.ndarray[tuple[int], np.dtype[np.bool_]]
#: What the rounding of the other probes can feign. No source.
_FEIGNED_STEPS = 2.0
#: Beyond so many steps from its other readings a pile is no still ram: there the punch left the ring. No source.
_FAR_STEPS = 10.0


def without_still(ring: Ring, cells: Cells, rails: Rails) -> Cells:
    """Return the cells with no probe called clipped where the ram stood still as the other probes saw it."""
    step = np.where(np.isfinite(rails.step), rails.step, 0.0)
    if not (step > 0.0).any() or not cells.clipped.any():
        return cells
    known = ~np.isnan(cells.mean)
    level = np.where(known, cells.mean, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    clipped = cells.clipped.copy()
    for probe in np.flatnonzero(~rails.stated & (step > 0.0)):
        share = clipped[:, probe].mean(axis=0)
        at_end = share > 0.5 * share.max()
        if not at_end.any() or _far_off(level[probe], at_end, float(step[probe])):
            continue
        if _went_on(ring, level, step, int(probe), at_end) <= _FEIGNED_STEPS:
            clipped[:, probe] = False
    return replace(cells, clipped=clipped)


def _far_off(level: Floats, bins: Bins, step: float) -> bool:
    """Whether a jump parts the pile from all other readings."""
    rest = level[~bins]
    return bool(rest.size and np.abs(level[bins][:, None] - rest).min() > _FAR_STEPS * step)


def _went_on(ring: Ring, level: Floats, step: Floats, probe: int, bins: Bins) -> float:
    """How far, in its own steps, a probe's reading fell behind over these bins what the others saw of the ram."""
    design, moved = design_matrix(ring), movements(ring, level.T)[bins]
    size = step * np.array([abs(each.scale_um_per_unit) * ring.target_factor for each in ring.probes])
    others = np.arange(len(ring.probes)) != probe
    if np.linalg.matrix_rank(design[others], tol=1e-6) < design.shape[1]:  # no spare probe: did any other move?
        return float((np.ptp(moved[:, others], axis=0) / np.maximum(size[others], 1e-9)).max())
    expected = moved[:, others] @ (design[probe] @ np.linalg.pinv(design[others]))
    return float(np.ptp(expected - moved[:, probe]) / size[probe])
