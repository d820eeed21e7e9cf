"""One phase of the stroke: mean path, offset, slope, scatter, drift; and what two phases say together."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from linelog.calc.capture.memory import evidence
from linelog.calc.capture.motion import Bins, Phase
from linelog.calc.capture.paths import PhasePaths
from linelog.calc.capture.results import Kick, Path, PhaseResult, Series, Split
from linelog.calc.capture.rounding import Places, Rounding
from linelog.calc.capture.stats import Drift, Mean, correlation, mean_and_drift
from linelog.calc.require import Floats
from linelog.calc.uncertainty import Part, planar, type_b

#: A capture of so many strokes tells the memory of its machine. No source.
LONG_ENOUGH = 100

CHART_POINTS = 400
#: A temperature that changed by less proves nothing about drift. Common practice, no source.
LEAST_WARMING = 0.5
_BASE_SHARE = 6


@dataclass(frozen=True, slots=True)
class Known:
    """What is known beside the paths.

    `zero_cov` (2, 2) of the probes' zeros in um^2; `machine`: by phase, the likelihood of each memory (`memory.py`)
    by the machine's long captures. It is that of places; slopes and differences remember less.
    """

    zero_cov: Floats
    rounding: Rounding
    machine: Mapping[str, Floats]


def phase_result(
    paths: PhasePaths, bins: Bins, start_s: Floats, temperature: Floats | None, known: Known
) -> PhaseResult:
    """Sum up one phase; `start_s` and `temperature` are of all strokes.

    Raises `CalcError` for fewer than three strokes.
    """
    time_s = start_s[paths.strokes]
    weights, machine = _weights(paths, bins), known.machine.get(paths.phase.value)
    own = np.tensordot(weights, paths.xy_um, axes=(0, 1))
    (x, drift_x), (y, drift_y) = (mean_and_drift(own[:, axis], time_s / 60.0, machine) for axis in (0, 1))
    bound = known.rounding.bound(paths.bins, weights)
    x, y = x.rounded(bound[0]), y.rounded(bound[1])
    warm = None if temperature is None else temperature[paths.strokes]
    by_warmth = _by_temperature(own, warm, machine)
    slopes = _slopes(paths, bins, time_s, known) if paths.phase is not Phase.DOME else (None, None)
    return PhaseResult(
        strokes=int(time_s.size),
        path=_mean_path(paths, bins, x, y),
        ram_x=x,
        ram_y=y,
        offset=planar(-x.value, -y.value, _budget(own, time_s, x, y, known.zero_cov)),
        slope_x=slopes[0],
        slope_y=slopes[1],
        spread_um=math.hypot(x.sd, y.sd),
        drift_x=drift_x,
        drift_y=drift_y,
        drift_x_temperature=by_warmth[0],
        drift_y_temperature=by_warmth[1],
        filled_percent=100.0 * paths.filled,
        series=thinned(time_s, own, warm),
        memory=_memory(own, time_s),
    )


def _weights(paths: PhasePaths, bins: Bins) -> Floats:
    """Return what each bin (B') counts in the mean place over the travel; over the angle in the dome phase.

    The readings of a bin are spread evenly over its time, and the ram slows down: the mean is drawn along the path
    from where they lie in the mean to the middle of the bin.
    """
    size = paths.bins.size
    if paths.phase is Phase.DOME or size < 3:
        return np.full(size, 1.0 / size)
    position, middle = bins.position_mm[paths.bins], bins.middle_mm[paths.bins]
    along = np.gradient(np.eye(size), position, axis=0, edge_order=2)
    return np.asarray((1.0 + (middle - position) @ along) / size)


def _memory(own: Floats, time_s: Floats) -> tuple[tuple[float, ...], ...] | None:
    """Return what a long capture says of the memory of its strokes, from both axes; None of a short one."""
    if time_s.size < LONG_ENOUGH or float(np.ptp(own, axis=0).min()) == 0.0:
        return None
    said = evidence(own[:, 0], time_s).likelihood + evidence(own[:, 1], time_s).likelihood
    return tuple(tuple(row) for row in (said - said.max()).tolist())


def _budget(own: Floats, time_s: Floats, x: Mean, y: Mean, zero_cov: Floats) -> tuple[Part, ...]:
    line = np.vander(time_s - time_s.mean(), 2)
    left = own - line @ np.linalg.lstsq(line, own, rcond=None)[0]
    together = correlation(left[:, 0], left[:, 1]) * x.u * y.u
    strokes = Part("strokes", x.u**2, y.u**2, together, min(x.dof, y.dof))
    zeros = Part("probe zeros", float(zero_cov[0, 0]), float(zero_cov[1, 1]), float(zero_cov[0, 1]))
    return strokes, zeros, Part("rounding of the file", type_b(x.bound) ** 2, type_b(y.bound) ** 2, flat=True)


def _mean_path(paths: PhasePaths, bins: Bins, x: Mean, y: Mean) -> Path:
    xy = paths.xy_um
    low, high = np.percentile(xy, [5.0, 95.0], axis=0)
    sd = xy.std(axis=0, ddof=1)
    u = sd / np.sqrt([x.n_eff, y.n_eff])
    columns = [*xy.mean(axis=0).T, low[:, 0], high[:, 0], low[:, 1], high[:, 1], *sd.T, *u.T]
    return Path(
        *(tuple(column.tolist()) for column in (bins.position_mm[paths.bins], bins.angle_deg[paths.bins], *columns))
    )


def _slopes(paths: PhasePaths, bins: Bins, time_s: Floats, known: Known) -> tuple[Mean, Mean]:
    """Least-squares slope of each stroke's path against ram position, then their mean: um/mm, which is mm/m."""
    away = bins.position_mm[paths.bins] - bins.position_mm[paths.bins].mean()
    per_mm = away / float(away @ away)
    slopes = np.tensordot(per_mm, paths.xy_um, axes=(0, 1))
    x, y = (mean_and_drift(slopes[:, axis], time_s, known.machine.get(paths.phase.value))[0] for axis in (0, 1))
    bound = known.rounding.bound(paths.bins, per_mm)
    return x.rounded(bound[0]), y.rounded(bound[1])


def _by_temperature(own: Floats, warm: Floats | None, machine: Floats | None) -> tuple[Drift | None, Drift | None]:
    if warm is None:
        return None, None
    there = ~np.isnan(warm)
    if there.sum() < 3 or float(np.ptp(warm[there])) < LEAST_WARMING:
        return None, None
    x, y = (mean_and_drift(own[there, axis], warm[there], machine)[1] for axis in (0, 1))
    return x, y


def thinned(time_s: Floats, own: Floats, warm: Floats | None) -> Series:
    """Means of so many neighbouring strokes that a chart gets a few hundred points."""
    size = -(-time_s.size // CHART_POINTS)
    starts = np.arange(0, time_s.size, size)
    counts = np.diff(np.append(starts, time_s.size))

    def means(values: Floats) -> tuple[float, ...]:
        return tuple((np.add.reduceat(values, starts) / counts).tolist())

    known = warm is not None and not np.isnan(warm).all()
    heat = means(_filled(warm)) if warm is not None and known else None
    return Series(means(time_s), means(own[:, 0]), means(own[:, 1]), heat, size)


def _filled(values: Floats) -> Floats:
    """Values (n) with missing ones drawn straight between their neighbours."""
    known = ~np.isnan(values)
    where = np.arange(values.size)
    return np.interp(where, where[known], values[known])


def split_between(forward: PhasePaths, back: PhasePaths, bins: Bins, start_s: Floats, known: Known) -> Split | None:
    """Forward minus return, stroke by stroke at the same ram positions; None where they share none or no strokes."""
    ahead, behind = bins.position_mm[forward.bins], bins.position_mm[back.bins][::-1]
    shared = (ahead >= behind[0] - 1e-6) & (ahead <= behind[-1] + 1e-6)
    both, mine, theirs = np.intersect1d(forward.strokes, back.strokes, return_indices=True)
    if not shared.any() or both.size < 3:
        return None
    at = np.clip(np.interp(ahead[shared], behind, np.arange(behind.size)), 0, behind.size - 1)
    left = np.minimum(at.astype(np.intp), behind.size - 2)
    share = (at - left)[:, None]
    turned = back.xy_um[theirs][:, ::-1]
    apart = forward.xy_um[mine][:, shared] - (turned[:, left] * (1.0 - share) + turned[:, left + 1] * share)
    means = apart.mean(axis=1)
    x, y = _bounded(means, start_s[both], known, [(each.bins, each.bins.size) for each in (forward, back)])
    mean = np.hypot(*apart.mean(axis=0).T)
    worst = int(mean.argmax())
    size, half = _length(x, y)
    return Split(x, y, size, half, float(mean[worst]), float(ahead[shared][worst]))


def kick_at_dome(forward: PhasePaths, dome: PhasePaths, bins: Bins, start_s: Floats, known: Known) -> Kick | None:
    """Largest mean departure in the dome from the mean of the last sixth of the forward stroke."""
    both, mine, theirs = np.intersect1d(forward.strokes, dome.strokes, return_indices=True)
    if both.size < 3:
        return None
    before = forward.bins[-max(1, forward.bins.size // _BASE_SHARE) :]
    base = forward.xy_um[mine][:, -before.size :].mean(axis=1, keepdims=True)
    away = dome.xy_um[theirs] - base
    worst = int(np.hypot(*away.mean(axis=0).T).argmax())
    x, y = _bounded(away[:, worst], start_s[both], known, [(before, before.size), (dome.bins[[worst]], 1)])
    size, half = _length(x, y)
    return Kick(x, y, size, half, float(bins.angle_deg[dome.bins[worst]]))


def _bounded(values: Floats, time_s: Floats, known: Known, parts: list[tuple[Places, int]]) -> tuple[Mean, Mean]:
    """Means (x, y) of values (S', 2) that are differences of means over these bins, each rounded on its own."""
    machine = known.machine.get(Phase.FORWARD.value)
    x, y = (mean_and_drift(values[:, axis], time_s, machine)[0] for axis in (0, 1))
    bounds = np.array([known.rounding.bound(bins, np.full(size, 1.0 / size)) for bins, size in parts])
    across, up = np.hypot(*bounds).tolist()
    return x.rounded(across), y.rounded(up)


def _length(x: Mean, y: Mean) -> tuple[float, float]:
    """Length of (x, y) and its half width along that direction (JCGM 100, 5.1.2); the wider one where it is zero."""
    size = math.hypot(x.value, y.value)
    if size == 0.0:
        return 0.0, max(x.half_width, y.half_width)
    return size, math.hypot(x.value / size * x.half_width, y.value / size * y.half_width)
