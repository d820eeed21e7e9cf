"""Places followed from visit to visit by a Kalman filter for each behaviour, whose step is a mixture.

The step: no jump, one or several; a reading now and then wild. The sum of Gaussians that comes out is brought back to
one by its moments (Bar-Shalom, Li and Kirubarajan, Estimation with Applications to Tracking and Navigation, 2001,
ch. 11: generalised pseudo-Bayesian of first order).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linelog.calc.arrays import FloatArray, IntArray
from linelog.calc.wander.behaviour import Behaviours
from linelog.calc.wander.log import Log

#: Variance after none, one and several jumps, in that of one.
JUMPS = (0.0, 1.0, 3.0)
#: Shares of readings, and by how much their variance is that of a good one: a few are wild. No source.
READINGS = ((0.98, 1.0), (0.02, 9.0))
_NOWHERE = 1.0  # variance of where a place stands that was never read
_AIMED = 0.05  # of where places are left that were moved, where none was


@dataclass(frozen=True, slots=True)
class Moved:
    """The last move of n places, (n, 2), nought where there was none, and the million strokes since it (n,)."""

    by: FloatArray
    since: FloatArray


@dataclass(frozen=True, slots=True)
class State:
    """Where n places stand by k behaviours: mean (n, k, 2), variance in each direction (n, k)."""

    mean: FloatArray
    variance: FloatArray


@dataclass(frozen=True, slots=True)
class Followed:
    """Places before each of t visits and after the last, t + 1 states and moves.

    likely  (n, t + 1, k) log likelihood of the readings of the visits before
    """

    states: tuple[State, ...]
    moves: tuple[Moved, ...]
    likely: FloatArray


@dataclass(frozen=True, slots=True)
class _Step:
    """Expected before a reading, as `State` without a jump; chances (n, k, 3 or 1) of `JUMPS`."""

    mean: FloatArray
    variance: FloatArray
    jumps: FloatArray


def settled(last: Moved, strokes: FloatArray, back: FloatArray, within: FloatArray) -> FloatArray:
    """How far places settle back over the next strokes (n,), shape (n, k, 2); back and within (k,) or (n, k)."""
    since = last.since[:, None]
    part = back * (np.exp(-since / within) - np.exp(-(since + strokes[:, None]) / within))
    return np.asarray(-part[..., None] * last.by[:, None, :])


def jump_chances(often: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Chance of none, one and several where so many are expected (Poisson)."""
    none = np.exp(-often)
    one = often * none
    return none, one, np.maximum(1.0 - none - one, 0.0)


def follow(log: Log, kinds: Behaviours, error: float) -> Followed:
    """Follow n places through their visits, where the error of a reading is `error` times the one that is said.

    The states between are kept in single precision: there are many of them.
    """
    n, t = log.strokes.shape
    k = len(kinds)
    mean, variance = np.zeros((n, k, 2)), np.full((n, k), _NOWHERE)
    likely, states, moves = np.zeros((n, t + 1, k)), [], []
    aimed, last = _aimed(log), Moved(np.zeros((n, 2)), np.zeros(n))
    noises, first = (error * log.u) ** 2, log.there.argmax(axis=1) if t else np.zeros(n)
    for visit in range(t):
        states.append(State(mean.astype(np.float32), variance.astype(np.float32)))
        moves.append(last)
        likely[:, visit + 1] = likely[:, visit]
        at = np.flatnonzero(log.there[:, visit])
        step = _ahead(State(mean[at], variance[at]), log, visit, at, last, kinds)
        mean[at], variance[at], told = _found(step, log.found[at, visit], noises[at, visit], kinds.jump)
        likely[at, visit + 1] += np.where((visit > first[at])[:, None], told, 0.0)
        read = at[np.isfinite(log.left[at, visit, 0])]
        moved = read[log.moved[read, visit]]
        mean[moved], variance[moved] = 0.0, (aimed + noises[moved, visit])[:, None]
        still = _Step(mean[read], variance[read], np.ones((len(read), k, 1)))
        mean[read], variance[read], told = _seen(still, log.left[read, visit], noises[read, visit], kinds.jump)
        likely[read, visit + 1] += np.where(log.moved[read, visit][:, None], 0.0, told)
        last = _moved(last, log, visit, at, moved)
    return Followed((*states, State(mean, variance)), (*moves, last), likely)


def _ahead(state: State, log: Log, visit: int, at: IntArray, last: Moved, kinds: Behaviours) -> _Step:
    """Carry the places that a visit sees to it."""
    strokes, jolts = log.strokes[at, visit], log.jolts[at, visit]
    creep = kinds.creep * strokes[:, None, None]
    creep = creep + settled(Moved(last.by[at], last.since[at]), strokes, kinds.back, kinds.within)
    often = kinds.rate * strokes[:, None] + kinds.by_jolt * jolts[:, None]
    jumps = np.stack(jump_chances(often), axis=-1)
    return _Step(state.mean + creep, state.variance + kinds.walk * strokes[:, None], jumps)


def _aimed(log: Log) -> float:
    """Variance, in each direction, of where places were left that were moved, as read."""
    left = log.left[log.moved & log.there & np.isfinite(log.left[..., 0])]
    return float(np.mean(left**2)) if len(left) else _AIMED


def _found(
    step: _Step, found: FloatArray, noise: FloatArray, jump: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Take in what was found; where nothing was read, the step as one Gaussian."""
    mean, variance, told = _seen(step, found, noise, jump)
    none = ~np.isfinite(found[:, 0])
    mean[none] = step.mean[none]
    variance[none] = step.variance[none] + (step.jumps[none] @ np.array(JUMPS)) * jump
    told[none] = 0.0
    return mean, variance, told


def _seen(
    step: _Step, reading: FloatArray, noise: FloatArray, jump: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Take in readings (n, 2) of error variances (n,): mean and variance after, log likelihood (n, k)."""
    off = np.nan_to_num(reading)[:, None, :] - step.mean
    square = (off**2).sum(axis=-1)
    total, gain, gain_square, own = (np.zeros(square.shape) for _ in range(4))
    for number in range(step.jumps.shape[-1]):
        before = step.variance + JUMPS[number] * jump
        for share, times in READINGS:
            spread = before + times * noise[:, None]
            weight = share * step.jumps[..., number] / spread * np.exp(-0.5 * np.minimum(square / spread, 1000.0))
            part = before / spread
            total += weight
            gain += weight * part
            gain_square += weight * part**2
            own += weight * before * (1.0 - part)
    total += 1e-300
    pulled = gain / total
    apart = np.maximum(gain_square / total - pulled**2, 0.0) * square / 2.0
    return step.mean + pulled[..., None] * off, own / total + apart, np.log(total)


def _moved(last: Moved, log: Log, visit: int, at: IntArray, moved: IntArray) -> Moved:
    """Return the last moves after a visit."""
    by, since = last.by.copy(), last.since.copy()
    since[at] += log.strokes[at, visit]
    by[moved] = np.nan_to_num(log.left[moved, visit] - log.found[moved, visit])
    since[moved] = 0.0
    return Moved(by, since)
