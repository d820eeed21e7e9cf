"""One phase of the stroke: mean path, offset, slope, scatter, drift; and what two phases say together."""

import math

import numpy as np

from linelog.calc.capture.motion import Bins, Phase
from linelog.calc.capture.paths import PhasePaths
from linelog.calc.capture.results import Kick, Path, PhaseResult, Series, Split
from linelog.calc.capture.stats import Drift, Mean, correlation, mean_and_drift
from linelog.calc.require import Floats
from linelog.calc.uncertainty import Part, planar

CHART_POINTS = 400
#: A temperature that changed by less proves nothing about drift. Common practice, no source.
LEAST_WARMING = 0.5
_BASE_SHARE = 6


def phase_result(
    paths: PhasePaths, bins: Bins, start_s: Floats, temperature: Floats | None, zero_cov: Floats
) -> PhaseResult:
    """Sum up one phase; `start_s` and `temperature` are of all strokes, `zero_cov` (2, 2) of the zeros, in um^2.

    Raises `CalcError` for fewer than three strokes.
    """
    time_s = start_s[paths.strokes]
    own = paths.xy_um.mean(axis=1)
    (x, drift_x), (y, drift_y) = (mean_and_drift(own[:, axis], time_s / 60.0) for axis in (0, 1))
    warm = None if temperature is None else temperature[paths.strokes]
    by_warmth = _by_temperature(own, warm)
    slopes = _slopes(paths, bins.position_mm[paths.bins], time_s) if paths.phase is not Phase.DOME else (None, None)
    return PhaseResult(
        strokes=int(time_s.size),
        path=_mean_path(paths, bins, x, y),
        ram_x=x,
        ram_y=y,
        offset=planar(-x.value, -y.value, _budget(own, time_s, x, y, zero_cov)),
        slope_x=slopes[0],
        slope_y=slopes[1],
        spread_um=math.hypot(x.sd, y.sd),
        drift_x=drift_x,
        drift_y=drift_y,
        drift_x_temperature=by_warmth[0],
        drift_y_temperature=by_warmth[1],
        filled_percent=100.0 * paths.filled,
        series=thinned(time_s, own, warm),
    )


def _budget(own: Floats, time_s: Floats, x: Mean, y: Mean, zero_cov: Floats) -> tuple[Part, Part]:
    line = np.vander(time_s - time_s.mean(), 2)
    left = own - line @ np.linalg.lstsq(line, own, rcond=None)[0]
    together = correlation(left[:, 0], left[:, 1]) * x.u * y.u
    strokes = Part("strokes", x.u**2, y.u**2, together, min(x.dof, y.dof))
    return strokes, Part("probe zeros", float(zero_cov[0, 0]), float(zero_cov[1, 1]), float(zero_cov[0, 1]))


def _mean_path(paths: PhasePaths, bins: Bins, x: Mean, y: Mean) -> Path:
    xy = paths.xy_um
    low, high = np.percentile(xy, [5.0, 95.0], axis=0)
    sd = xy.std(axis=0, ddof=1)
    u = sd / np.sqrt([x.n_eff, y.n_eff])
    columns = [*xy.mean(axis=0).T, low[:, 0], high[:, 0], low[:, 1], high[:, 1], *sd.T, *u.T]
    return Path(
        *(tuple(column.tolist()) for column in (bins.position_mm[paths.bins], bins.angle_deg[paths.bins], *columns))
    )


def _slopes(paths: PhasePaths, position_mm: Floats, time_s: Floats) -> tuple[Mean, Mean]:
    """Least-squares slope of each stroke's path against ram position, then their mean: um/mm, which is mm/m."""
    away = position_mm - position_mm.mean()
    slopes = np.tensordot(away / float(away @ away), paths.xy_um, axes=(0, 1))
    return mean_and_drift(slopes[:, 0], time_s)[0], mean_and_drift(slopes[:, 1], time_s)[0]


def _by_temperature(own: Floats, warm: Floats | None) -> tuple[Drift | None, Drift | None]:
    if warm is None:
        return None, None
    known = ~np.isnan(warm)
    if known.sum() < 3 or float(np.ptp(warm[known])) < LEAST_WARMING:
        return None, None
    return mean_and_drift(own[known, 0], warm[known])[1], mean_and_drift(own[known, 1], warm[known])[1]


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


def split_between(forward: PhasePaths, back: PhasePaths, bins: Bins, start_s: Floats) -> Split | None:
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
    x, y = (mean_and_drift(apart[:, :, axis].mean(axis=1), start_s[both])[0] for axis in (0, 1))
    mean = np.hypot(*apart.mean(axis=0).T)
    worst = int(mean.argmax())
    size, half = _length(x, y)
    return Split(x, y, size, half, float(mean[worst]), float(ahead[shared][worst]))


def kick_at_dome(forward: PhasePaths, dome: PhasePaths, bins: Bins, start_s: Floats) -> Kick | None:
    """Largest mean departure in the dome from the mean of the last sixth of the forward stroke."""
    both, mine, theirs = np.intersect1d(forward.strokes, dome.strokes, return_indices=True)
    if both.size < 3:
        return None
    base = forward.xy_um[mine][:, -max(1, forward.bins.size // _BASE_SHARE) :].mean(axis=1, keepdims=True)
    away = dome.xy_um[theirs] - base
    worst = int(np.hypot(*away.mean(axis=0).T).argmax())
    x, y = (mean_and_drift(away[:, worst, axis], start_s[both])[0] for axis in (0, 1))
    size, half = _length(x, y)
    return Kick(x, y, size, half, float(bins.angle_deg[dome.bins[worst]]))


def _length(x: Mean, y: Mean) -> tuple[float, float]:
    """Length of (x, y) and its half width along that direction (JCGM 100, 5.1.2); the wider one where it is zero."""
    size = math.hypot(x.value, y.value)
    if size == 0.0:
        return 0.0, max(x.half_width, y.half_width)
    return size, math.hypot(x.value / size * x.half_width, y.value / size * y.half_width)
