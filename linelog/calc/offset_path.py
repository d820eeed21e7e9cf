"""Where a station stood between two visits, by what the one left and the next one found, both measured with error.

    as left, as found = where it stood + error            error of each component ~ N(0, error2)
    where it stood after so many million cans = before + N(0, walk2 * million), and with the chance
    1 - exp(-jolts * million) one jolt more, N(0, jolt2), at any time between

Of a value that a visit left after a move only the share `kept` is the station, the rest is error: what the next visit
finds tells that share, since the error does not come again. Where a station was not moved one value ends a span and
begins the next, so its error comes in both with opposite signs, which tells the error as well; and the differences
grow with the cans from an intercept of the errors alone. All three are one likelihood, so that the error is that of
this plant (mounting, ram rest, reading), not the one that a dial's uncertainty assumes.
Source of regression calibration: Carroll, Ruppert, Stefanski & Crainiceanu, Measurement Error in Nonlinear Models,
ch. 4; of the filter with collapsed mixtures: Harrison & Stevens, J. R. Stat. Soc. B 38 (1976) 205. The rest derived.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import scipy

from linelog.calc.arrays import BoolArray, FloatArray, IntArray
from linelog.calc.errors import CalcError

FEWEST_SPANS = 30  # of a kind of station; with fewer all kinds are taken together. Own choice.
MOST_SPANS = 3000  # the wandering is learned of so many: more would tell it no better. Own choice.
#: An offset beyond so many limits counts as so many: one machine that stands far out, or is measured as if it did,
#: would weigh as much as all others. Own choice.
MOST_SEVERE = 2.0
DRAWS = 64  # a power of two
_AT_ONCE = 4000
_SEED = 20261201
_STEP = 1e-3
_ROUNDING = float(np.finfo(float).eps)
_USUAL = np.array([2.0 * math.log(0.1), 0.0, 2.0 * math.log(0.1), math.log(0.02), 2.0 * math.log(0.5), 0.0])
_PULL = 12.0  # spans that all places of a kind together count for in a place's own pace. Own choice.
_ALIKE = np.array([0.5, 0.7, 0.6, 0.7, 0.5, 0.2])  # how unlike kinds of stations of a plant are
_REACH = np.array([2.0, 2.0, 2.5, 2.5, 1.0, 0.3])  # how far from usual they are let go, as a standard deviation


@dataclass(frozen=True, slots=True)
class Spans:
    """n spans of one place each between two visits that measured it; those of a place together, in the order of time.

    left, found  measured offsets as shares of the limit, shape (n, 2)
    million      cans made between, millions, shape (n,)
    machine, kind, place  whole numbers, shape (n,)
    follows      the visit at its beginning moved nothing: its `left` is the `found` of the row before, shape (n,)
    aligned      the visit at its beginning moved it, shape (n,); neither where the record of the place begins
    """

    left: FloatArray
    found: FloatArray
    million: FloatArray
    machine: IntArray
    kind: IntArray
    place: IntArray
    follows: BoolArray
    aligned: BoolArray
    creep: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))
    pace: FloatArray = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        if len(self.pace) != len(self.left):
            object.__setattr__(self, "pace", np.ones(len(self.left)))
            object.__setattr__(self, "creep", own_creep(self))

    def where(self, chosen: BoolArray) -> "Spans":
        """Return some whole chains."""
        return Spans(*(getattr(self, name)[chosen] for name in self.__slots__))

    def __len__(self) -> int:
        return len(self.left)


@dataclass(frozen=True, slots=True)
class Wander:
    """How stations of a kind move and how well they are measured, in limits (and limits squared a million cans).

    values, cov  logarithms: error2, odds of `kept`, walk2, jolts a million cans, jolt2, and how
                 many times as unsure a moved station is as `kept` makes it; shape (6,) and (6, 6)
    spans        that it rests on
    """

    values: FloatArray
    cov: FloatArray
    spans: int

    @property
    def error(self) -> float:
        """Standard deviation of one measured component, in limits."""
        return math.exp(float(self.values[0]) / 2.0)

    def drawn(self, rng: np.random.Generator) -> "Wander":
        """Return one that may as well be true."""
        return replace(self, values=rng.multivariate_normal(self.values, self.cov, method="eigh"))


@dataclass(frozen=True, slots=True)
class Paths:
    """Where each span's place stood at both ends given all before and what the span's end found; see `filtered`.

    Of the first axis (2): without and with a jolt. weight (2, n); first, last (2, n, 2); first2, last2, both (2, n):
    variances of a component and the covariance of both ends; walked (2, n): variance of the way between, jolted (n,)
    """

    weight: FloatArray
    first: FloatArray
    last: FloatArray
    first2: FloatArray
    last2: FloatArray
    both: FloatArray
    walked: FloatArray
    jolted: FloatArray
    log_likelihood: FloatArray


def own_creep(spans: Spans) -> FloatArray:
    """Return each place's own creep, limits a million cans (n, 2), pulled to none as far as chance explains it."""
    _, at = np.unique(spans.place, return_inverse=True)
    _, kind = np.unique(spans.kind, return_inverse=True)
    spans_of, off = np.bincount(at), spans.found - spans.left
    million = np.maximum(np.bincount(at, spans.million), 1e-9)
    creep = np.stack([np.bincount(at, off[:, axis]) / million for axis in (0, 1)], axis=1)
    # A place's mean creep scatters as its differences do: what is more than that is its own.
    rest = off - creep[at] * spans.million[:, None]
    freedom = np.maximum(spans_of - 1.0, 1.0)
    chance = np.bincount(at, (rest**2).sum(axis=1)) / 2.0 / freedom * spans_of / million**2
    place_kind = np.zeros(len(spans_of), dtype=np.int64)
    place_kind[at] = kind
    worth = (spans_of > 1).astype(float)
    of_kind = np.maximum(np.bincount(place_kind, worth), 1e-9)
    noise = np.bincount(place_kind, worth * chance) / of_kind
    seen = np.bincount(place_kind, worth * (creep**2).sum(axis=1) / 2.0) / of_kind
    own = np.maximum(seen - noise, 0.0)[place_kind]
    creep = creep * (worth * own / np.maximum(own + chance, 1e-12))[:, None]
    return np.asarray(creep[at])


def own_paces(spans: Spans, values: FloatArray) -> FloatArray:
    """Return how fast each span's place walks over what is usual for its kind, shape (n,): errors taken out."""
    _, at = np.unique(spans.place, return_inverse=True)
    error2, _, walk2, jolts, jolt2, _ = np.exp(values)
    usual = walk2 * spans.million - np.expm1(-jolts * spans.million) * jolt2
    off = spans.found - spans.left - spans.creep * spans.million[:, None]
    walked = np.minimum((off**2).sum(axis=1) / 2.0 - 2.0 * error2, 9.0 * usual)  # a single jolt is no pace
    each = np.bincount(at)
    own = np.bincount(at, walked) / np.maximum(np.bincount(at, usual), 1e-12)
    return np.asarray(np.clip((each * own + _PULL) / (each + _PULL), 0.4, 2.5)[at])


def filtered(spans: Spans, values: FloatArray) -> Paths:
    """Run the filter over all chains at once, step by step of their length; values (6,), or (6, n): of each span."""
    error2, odds, walk2, jolts, jolt2, unsure = np.exp(np.clip(values, -40.0, 8.0))
    n, depth = len(spans), _depths(spans.follows)
    kept = np.where(spans.aligned, odds / (1.0 + odds), _kept_at_first(spans, error2))
    mean, spread = kept[:, None] * spans.left, kept * error2 * np.where(spans.aligned, unsure, 1.0)
    walked = walk2 * spans.pace * spans.million + np.stack([np.zeros(n), np.broadcast_to(jolt2, n)])
    chance = -np.expm1(-jolts * spans.million)
    prior = np.log(np.maximum(np.stack([1.0 - chance, chance]), 1e-12))
    flat, wide = (2, n), (2, n, 2)
    out = Paths(
        weight=np.empty(flat),
        first=np.empty(wide),
        last=np.empty(wide),
        first2=np.empty(flat),
        last2=np.empty(flat),
        both=np.empty(flat),
        walked=walked,
        jolted=np.broadcast_to(jolt2, n),
        log_likelihood=np.empty(n),
    )
    for step in range(int(depth.max(initial=0)) + 1):
        at = np.flatnonzero(depth == step)
        if step:
            mean[at], spread[at] = _together(out, at - 1)
        _one_step(spans, out, at, (mean[at], spread[at]), np.broadcast_to(error2, n)[at], prior[:, at])
    return out


def _depths(follows: BoolArray) -> IntArray:
    number = np.arange(len(follows))
    return np.asarray(number - np.maximum.accumulate(np.where(follows, 0, number)))


def _kept_at_first(spans: Spans, error2: FloatArray) -> FloatArray:
    first = ~(spans.aligned | spans.follows)
    seen = float((spans.left[first] ** 2).mean()) if first.any() else 1.0
    return np.maximum(0.0, 1.0 - error2 / max(seen, 1e-9))


def _one_step(
    spans: Spans,
    out: Paths,
    at: IntArray,
    start: tuple[FloatArray, FloatArray],
    error2: FloatArray,
    prior: FloatArray,
) -> None:
    mean, spread = start
    ahead = spread + out.walked[:, at]
    total = ahead + error2
    ahead_mean = mean + spans.creep[at] * spans.million[at, None]
    off = spans.found[at] - ahead_mean
    likely = prior - np.log(total) - (off**2).sum(axis=1) / (2.0 * total)
    out.log_likelihood[at] = np.logaddexp(*likely)
    out.weight[:, at] = np.exp(likely - out.log_likelihood[at])
    gain = ahead / total
    out.last[:, at] = ahead_mean + gain[..., None] * off
    out.last2[:, at] = (1.0 - gain) * ahead
    out.first[:, at] = mean + (spread / total)[..., None] * off
    out.first2[:, at] = spread - spread**2 / total
    out.both[:, at] = spread * (1.0 - gain)


def _together(out: Paths, at: IntArray) -> tuple[FloatArray, FloatArray]:
    """Return mean and variance of the last place of both ways together."""
    weight, last = out.weight[:, at], out.last[:, at]
    mean = (weight[..., None] * last).sum(axis=0)
    apart = ((last - mean) ** 2).sum(axis=2) / 2.0
    return mean, np.asarray((weight * (out.last2[:, at] + apart)).sum(axis=0))


def fit_kinds(spans: Spans) -> dict[int, Wander]:
    """Fit each kind of station by maximum likelihood, those with few spans together with one another.

    The covariance is that of machines that are unlike (sandwich). What the record says nothing of stays near a usual
    value, weakly (own choice). Raises `CalcError` without spans.
    """
    if len(spans) == 0:
        raise CalcError("No station was measured at two signed visits with cans between.")
    if len(spans) > MOST_SPANS:  # whole places, evenly taken
        _, number = np.unique(spans.place, return_inverse=True)
        every = math.ceil(len(spans) / MOST_SPANS)
        return fit_kinds(spans.where(number % every == 0))
    kinds, at = np.unique(spans.kind, return_inverse=True)
    few = np.bincount(at) < FEWEST_SPANS
    group = np.where(few[at], few.argmax(), at)
    numbers, group = np.unique(group, return_inverse=True)
    target = _Likelihood(spans, group, len(numbers))
    values = target.best(np.tile(_USUAL, (len(numbers), 1)))
    if len(numbers) > 1:
        target = replace(target, usual=values.mean(axis=0), reach=_ALIKE)
        values = target.best(values)
    covs = target.sandwich(values)
    own = dict(
        zip(kinds.tolist(), group[[int(np.flatnonzero(at == one)[0]) for one in range(len(kinds))]], strict=True)
    )
    return {kind: Wander(values[one], covs[one], int((group == one).sum())) for kind, one in own.items()}


@dataclass(frozen=True, slots=True)
class _Likelihood:
    """Likelihood of all groups of stations at once: each row depends on its own group's values alone."""

    spans: Spans
    group: IntArray
    groups: int
    usual: FloatArray = field(default_factory=lambda: _USUAL)
    reach: FloatArray = field(default_factory=lambda: _REACH)

    def best(self, start: FloatArray) -> FloatArray:
        """Return the values of each group that are likeliest."""
        found, _, _ = scipy.optimize.fmin_l_bfgs_b(self.lost, start.ravel(), maxiter=40, factr=1e-5 / _ROUNDING)
        return np.asarray(found, dtype=np.float64).reshape(start.shape)

    def rows(self, values: FloatArray) -> FloatArray:
        """Log likelihood of each span, values (groups, 6)."""
        return filtered(self.spans, values[self.group].T).log_likelihood

    def _sums(self, values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(self.group, self.rows(values), self.groups), dtype=np.float64)

    def lost(self, flat: FloatArray) -> tuple[float, FloatArray]:
        """Return what is to be made least and its slopes."""
        values = flat.reshape(self.groups, len(_USUAL))
        away, here = (values - self.usual) / self.reach, self._sums(values)
        slopes = np.stack([(self._sums(values + one) - here) / _STEP for one in self._steps])
        return 0.5 * float((away**2).sum()) - float(here.sum()), (away / self.reach - slopes.T).ravel()

    @property
    def _steps(self) -> FloatArray:
        return np.eye(len(_USUAL)) * _STEP

    def sandwich(self, values: FloatArray) -> FloatArray:
        """Covariance of each group's values, (groups, 6, 6)."""
        machines, at = np.unique(self.spans.machine, return_inverse=True)
        both, size = self.group * len(machines) + at, self.groups * len(machines)
        wide = np.eye(len(_USUAL)) * 0.03

        def slopes(where: FloatArray) -> FloatArray:
            here = self.rows(where)
            sums = [np.bincount(both, self.rows(where + one) - here, size) / _STEP for one in self._steps]
            return np.stack(sums, axis=-1).reshape(self.groups, len(machines), -1)

        score = slopes(values)
        bent = np.stack([(slopes(values + one) - score).sum(axis=1) / 0.03 for one in wide], axis=1)
        curved = -(bent + bent.transpose(0, 2, 1)) / 2.0 + np.diag(1.0 / self.reach**2)
        length, axes = np.linalg.eigh(curved)
        inverse = np.einsum("gij,gj,gkj->gik", axes, 1.0 / np.maximum(length, 0.25 / self.reach.max() ** 2), axes)
        meat = np.einsum("gmi,gmj->gij", score, score) + np.diag(1.0 / self.reach**2)
        return np.asarray(inverse @ meat @ inverse * len(machines) / max(len(machines) - 1, 1))


@dataclass(frozen=True, slots=True)
class Looks:
    """Pieces of time at which places are looked at: piece and span of each look, and the share of the span's cans.

    piece, span, share of shape (k,)
    """

    piece: IntArray
    span: IntArray
    share: FloatArray


@dataclass(frozen=True, slots=True)
class Expected:
    """Severity of the worst of some stations in n pieces: mean and variance of what it may have been, shape (n,).

    NaN where none of them is known.
    """

    mean: FloatArray
    variance: FloatArray

    def at(self, effect: float) -> FloatArray:
        """Severity that gives the expected rate: log E exp(effect * severity) / effect to the second order."""
        return np.asarray(self.mean + effect / 2.0 * self.variance)

    def where(self, chosen: Any) -> "Expected":
        """Return some pieces."""
        return Expected(self.mean[chosen], self.variance[chosen])


def expected_severities(
    spans: Spans, wander: dict[int, Wander], looks: Looks, groups: Sequence[Sequence[int]], pieces: int
) -> list[Expected]:
    """Return the expected severity of the worst station of each group of kinds in each piece.

    Drawn `DRAWS` times with the same chances in every piece, so that pieces differ by what is known alone.
    """
    draws = _draw_severities(spans, wander, looks)
    kind = spans.kind[looks.span]
    found = []
    for group in groups:
        chosen = np.isin(kind, group)
        worst = np.full((pieces, DRAWS), -np.inf)
        np.maximum.at(worst, looks.piece[chosen], np.minimum(draws[chosen], MOST_SEVERE))
        worst[np.isinf(worst[:, 0])] = np.nan
        found.append(Expected(worst.mean(axis=1), worst.var(axis=1)))
    return found


def _draw_severities(spans: Spans, wander: dict[int, Wander], looks: Looks) -> FloatArray:
    """Draw how far out each look may have been, offset over limit, shape (k, DRAWS); the same draws each time."""
    out = np.empty((len(looks.piece), DRAWS))
    rank = _rank(looks.piece)
    normal, even = _chances(int(rank.max(initial=0)) + 1)
    for kind, one in wander.items():
        own = spans.kind == kind
        if not own.any():
            continue
        where, its_own = np.cumsum(own) - 1, spans.where(own)
        paths = filtered(replace(its_own, pace=own_paces(its_own, one.values)), one.values)
        looked = np.flatnonzero(own[looks.span])
        for at in np.array_split(looked, max(1, len(looked) // _AT_ONCE)):
            chance = (normal[rank[at]], even[rank[at]])
            out[at] = _drawn(paths, where[looks.span[at]], looks.share[at], chance)
    return out


def _rank(piece: IntArray) -> IntArray:
    """Return how many looks at the same piece come before each, shape (k,)."""
    order = np.argsort(piece, kind="stable")
    begins = np.r_[0, np.flatnonzero(np.diff(piece[order])) + 1] if len(piece) else np.zeros(0, dtype=np.int64)
    rank = np.zeros(len(piece), dtype=np.int64)
    rank[order] = np.arange(len(piece)) - np.repeat(begins, np.diff(np.r_[begins, len(piece)]))
    return rank


def _chances(most: int) -> tuple[FloatArray, FloatArray]:
    """Return normal chances (most, DRAWS, 3, 2) and even ones (most, 2, DRAWS), spread evenly (Sobol's points)."""
    seeds = np.random.default_rng(_SEED).spawn(most)
    points = np.stack([scipy.stats.qmc.Sobol(8, seed=one).random(DRAWS) for one in seeds])
    normal = scipy.stats.norm.ppf(np.clip(points[:, :, :6], 1e-6, 1.0 - 1e-6))
    return normal.reshape(most, DRAWS, 3, 2), np.ascontiguousarray(points[:, :, 6:].transpose(0, 2, 1))


def _drawn(paths: Paths, span: IntArray, share: FloatArray, chance: tuple[FloatArray, FloatArray]) -> FloatArray:
    normal, even = chance
    jolted = even[:, 0] < paths.weight[1, span][:, None]
    way, at, t = jolted.astype(np.int64), span[:, None], share[:, None]
    first2, both, last2 = paths.first2[way, at], paths.both[way, at], paths.last2[way, at]
    one = np.sqrt(np.maximum(first2, 1e-18))
    two = both / one
    three = np.sqrt(np.maximum(last2 - two**2, 0.0))
    first = paths.first[way, at] + one[..., None] * normal[:, :, 0]
    moved = paths.last[way, at] + two[..., None] * normal[:, :, 0] + three[..., None] * normal[:, :, 1] - first
    walked = paths.walked[way, at]
    by_jolt = np.where(jolted, paths.jolted[at] / np.maximum(walked, 1e-18), 0.0)
    along = t * (1.0 - by_jolt) + by_jolt * (even[:, 1] < t)
    aside = np.sqrt(np.maximum(walked - jolted * paths.jolted[at], 0.0) * t * (1.0 - t))
    return np.asarray(
        np.hypot(*np.moveaxis(first + along[..., None] * moved + aside[..., None] * normal[:, :, 2], 2, 0))
    )
