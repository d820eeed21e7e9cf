"""What would have been said before each visit, held against what it found: the curve, and what it corrects."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from linelog.calc.arrays import BoolArray, FloatArray, IntArray
from linelog.calc.wander.behaviour import Behaviours
from linelog.calc.wander.follow import Followed, Moved, State
from linelog.calc.wander.learn import Learned, learn
from linelog.calc.wander.log import Log
from linelog.calc.wander.odds import chance, draw

#: Spans of the time before; what a visit is held against was learned from readings before its span.
SPANS = 4
#: A slope below one is expected until readings tell: what is learned from few is too sure. From `bench_risk`.
_SLOPE, _SLOPE_DOUBT, _SHIFT_DOUBT = 0.85, 0.3, 0.4
#: Visits of one place and places of one visit are not as many tellers. No source.
_WEIGHT = 0.5
_FACTORS = tuple(number / 10.0 for number in range(9))
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(21)
_SHARES = _WEIGHTS / _WEIGHTS.sum()


@dataclass(frozen=True, slots=True)
class Said:
    """m visits to places: which (m,), the chance said that the place would be read as out, whether it was read so."""

    place: IntArray
    visit: IntArray
    chance: FloatArray
    out: BoolArray


def said_before(log: Log, kinds: Behaviours, followed: Sequence[Followed]) -> Said:
    """Go through the visits in the order of time, each by what was read before its span of time and its place."""
    later = log.there & np.isfinite(log.found[..., 0])
    later[:, :1] = False
    times = log.when[later]
    cuts = np.quantile(times, np.arange(SPANS) / SPANS) if len(times) else np.array([np.inf])
    rows: list[tuple[IntArray, IntArray, FloatArray]] = []
    for cut, until in zip(cuts, [*cuts[1:], np.inf], strict=True):
        learned = learn(log, followed, cut)
        for visit in range(1, log.strokes.shape[1]):
            at = np.flatnonzero(later[:, visit] & (log.when[:, visit] >= cut) & (log.when[:, visit] < until))
            if len(at):
                rows.append((at, np.full(len(at), visit), _said(log, kinds, followed, learned, visit, at)))
    place = np.concatenate([np.zeros(0, dtype=np.int64), *(row[0] for row in rows)])
    visits = np.concatenate([np.zeros(0, dtype=np.int64), *(row[1] for row in rows)])
    said = np.concatenate([np.zeros(0), *(row[2] for row in rows)])
    return Said(place, visits, said, np.hypot(*log.found[place, visits].T) > 1.0)


def _said(
    log: Log, kinds: Behaviours, followed: Sequence[Followed], learned: Learned, visit: int, at: IntArray
) -> FloatArray:
    states = [State(one.states[visit].mean[at], one.states[visit].variance[at]) for one in followed]
    likely = np.stack([one.likely[at, visit] for one in followed])
    last = followed[0].moves[visit]
    drawn = draw(learned, log.kind[at], kinds, Moved(last.by[at], last.since[at]), states, likely)
    return chance(drawn, log.strokes[at, visit], log.jolts[at, visit], log.u[at, visit])


@dataclass(frozen=True, slots=True)
class Recalibrated:
    """Log odds = shift + slope * log odds as said."""

    shift: float
    slope: float

    def of(self, said: FloatArray) -> FloatArray:
        """Correct chances."""
        return np.asarray(scipy.special.expit(self.shift + self.slope * _log_odds(said)))


def recalibrate(said: FloatArray, out: BoolArray) -> Recalibrated:
    """Fit what was found to what was said (Cox 1958), held to what is expected where few tell (normal priors)."""
    x = _log_odds(said)

    def loss(p: FloatArray) -> float:
        z = p[0] + p[1] * x
        fit = _WEIGHT * (np.logaddexp(0.0, z).sum() - z[out].sum())
        return float(fit + 0.5 * (p[0] / _SHIFT_DOUBT) ** 2 + 0.5 * ((p[1] - _SLOPE) / _SLOPE_DOUBT) ** 2)

    found = scipy.optimize.minimize(loss, np.array([0.0, _SLOPE]), method="Nelder-Mead").x
    return Recalibrated(float(found[0]), float(max(found[1], 0.0)))


def _log_odds(said: FloatArray) -> FloatArray:
    return np.asarray(scipy.special.logit(np.clip(said, 1e-4, 1.0 - 1e-4)))


def _given(said: FloatArray, together: float) -> FloatArray:
    """Chances (..., 21) where what all places of a machine share stands at each node."""
    level = scipy.special.ndtri(np.clip(said, 1e-9, 1.0 - 1e-9))[..., None]
    shared = scipy.special.ndtr((level + np.sqrt(together) * _NODES) / np.sqrt(1.0 - together))
    return np.asarray(np.clip(shared, 1e-12, 1.0 - 1e-12))


def any_out(said: FloatArray, together: float) -> FloatArray:
    """Chance (...) that any of a machine's places is out, from theirs (places, ...), which one normal factor ties.

    together  correlation by that factor, from 0 to below 1: with none of it the places are on their own
    """
    return np.asarray(1.0 - np.prod(1.0 - _given(said, together), axis=0) @ _SHARES)


def together(said: FloatArray, out: BoolArray, occasion: IntArray) -> float:
    """How much the places of one visit to a machine go out together: a mean over likelihoods, even beforehand."""
    fits = np.zeros(len(_FACTORS))
    if len(said):
        order = np.argsort(occasion, kind="stable")
        starts = np.flatnonzero(np.diff(occasion[order], prepend=-1))
        for number, factor in enumerate(_FACTORS):
            given = _given(said[order], factor)
            terms = np.log(np.where(out[order][:, None], given, 1.0 - given))
            fits[number] = np.log(np.exp(np.add.reduceat(terms, starts, axis=0)) @ _SHARES).sum()
    return float(scipy.special.softmax(fits) @ np.array(_FACTORS))
