"""How common each behaviour is in a plant, and how large the error of a reading really is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from linelog.calc.arrays import FloatArray, IntArray
from linelog.calc.wander.follow import Followed
from linelog.calc.wander.log import Log

#: The real error of a reading over the one that is said: what is looked at.
ERRORS = (0.6, 1.0, 1.6, 2.5, 4.0)
#: What is expected of it beforehand, and the doubt of its logarithm: re-mounting and the rest of the ram come on top
#: of a dial's own U. From memory.
_EXPECTED, _DOUBT = 1.3, 0.5
#: Weight, in places, of what is thought possible for a plant, and of the plant for a kind of station. No source.
_PLANT, _KIND = 12.0, 10.0
_ROUNDS = 40
_LEAST = 1e-7


@dataclass(frozen=True, slots=True)
class Learned:
    """For e errors: how likely each is (e,), how common each behaviour by kind (e, kinds + 1, k).

    The last kind stands for one of which nothing is known.
    """

    errors: FloatArray
    likely: FloatArray
    common: FloatArray


def learn(log: Log, followed: Sequence[Followed], until: float = np.inf) -> Learned:
    """Learn from what was read before a time; `followed` for each of `ERRORS`."""
    known = (log.there & (log.when < until)).sum(axis=1)
    which = np.flatnonzero(known >= 2)
    number, k = int(log.kind.max(initial=-1)) + 1, followed[0].likely.shape[-1]
    common, fits = np.full((len(ERRORS), number + 1, k), 1.0 / k), np.zeros(len(ERRORS))
    if len(which):
        for at, one in enumerate(followed):
            common[at], fits[at] = _fit(one.likely[which, known[which]], log.kind[which], number)
    errors = np.array(ERRORS)
    prior = -0.5 * (np.log(errors / _EXPECTED) / _DOUBT) ** 2
    return Learned(errors, np.asarray(scipy.special.softmax(fits + prior)), common)


def _fit(likely: FloatArray, kind: IntArray, kinds: int) -> tuple[FloatArray, float]:
    """How common behaviours are by kind (kinds + 1, k), and the log likelihood of it all."""
    top = likely.max(axis=1, keepdims=True)
    scaled = np.exp(likely - top)
    k = likely.shape[1]
    plant = _common(scaled, np.full(k, 1.0 / k), _PLANT)
    common = np.tile(plant, (kinds + 1, 1))
    for one in np.unique(kind).tolist():
        common[one] = _common(scaled[kind == one], plant, _KIND)
    return common, float((np.log((scaled * common[kind]).sum(axis=1)) + top[:, 0]).sum())


def _common(scaled: FloatArray, expected: FloatArray, weight: float) -> FloatArray:
    """How common each behaviour is among places, where `expected` counts as so many places.

    Expectation and maximisation for the weights of a mixture of known parts (Dempster, Laird and Rubin 1977).
    """
    now = expected
    for _ in range(_ROUNDS):
        each = scaled * now
        each /= each.sum(axis=1, keepdims=True)
        now = (each.sum(axis=0) + weight * expected) / (len(scaled) + weight)
    return np.asarray(np.maximum(now, _LEAST))
