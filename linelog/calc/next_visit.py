"""What the next visit to each machine is worth: the tear-offs that it is expected to save, and the hours it takes.

A visit sweeps every station and opens what it finds out, and what is in where that pays: the lockout is paid for.
What it saves counts by place: how much nearer to true it will stand (`wander.saved`), times the effect of its kind,
times the counts of a week. How a machine has torn since its last visit tells how it stands beside what was read: it
is held against its own time before and against its line.
Derived.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from linelog.calc.arrays import FloatArray, IntArray
from linelog.calc.wander.saved import Saved

#: Standard deviation of the logarithm of a month's rate beside misalignment and chance: tools, metal. Own choice, as
#: are the days: from `bench_plan`.
OTHER_CAUSES = 0.3
SCATTER = 6.0  # variance of counts over that of Poisson counts
RECENT_DAYS, BEFORE_DAYS, FEWEST_DAYS = 28, 180, 7
#: Limits found beyond which a place may be put right; the first is that of being out.
BEYOND = (1.0, 0.9, 0.8, 0.7, 0.6, 0.5)
_ROUNDS = 4
_USUAL_COUNTS = 20.0  # of a plant's usual rate, that a machine's own counts stand beside
_SEED = 9


@dataclass(frozen=True, slots=True)
class Torn:
    """Counts of m machines and their million strokes: since the last visit, at the most `RECENT_DAYS`, and before.

    line  of each; days  since its last visit; each shape (m,)
    """

    line: IntArray
    days: FloatArray
    counts: FloatArray
    million: FloatArray
    counts_before: FloatArray
    million_before: FloatArray


@dataclass(frozen=True, slots=True)
class Takes:
    """Hours of a visit: of each machine without opening anything (m,), and of opening each place (n,)."""

    swept: FloatArray
    opening: FloatArray


@dataclass(frozen=True, slots=True)
class Expects:
    """Of n places, each (n,).

    beyond  limits found beyond which it pays to put it right, at the most 1: what is out is opened in any case
    opens   the chance of that; saves: the limits that it then stands nearer in the mean of the horizon
    """

    beyond: FloatArray
    opens: FloatArray
    saves: FloatArray


def expects(
    drawn: Saved, machine: IntArray, effect: FloatArray, torn: Torn, takes: Takes, *, worst: float | None = None
) -> Expects:
    """Return what a visit is expected to do at each place, by what was read and by how the machines tear.

    machine   number of each place's machine in `torn`, shape (n,); effect: logarithm of the ratio for one limit (n,)
    worst     effect of the worst station, where the rate follows that alone: nothing is then opened that is in
    """
    number, chances = len(torn.line), drawn.far.shape[1]
    far, found, stays, limits = (
        _mixed(part, machine) for part in (drawn.far, drawn.found, drawn.stays, drawn.limits)
    )
    factor = np.zeros((number, chances))
    if worst is None:
        np.add.at(factor, machine, far * effect[:, None])
    else:
        np.maximum.at(factor, machine, far * worst)
    weights = _weights(factor, torn)
    weight = weights[machine]
    opens = np.stack([(weight * (found > one)).sum(axis=1) for one in BEYOND], axis=1)
    saves = np.stack([(weight * limits * (found > one)).sum(axis=1) for one in BEYOND], axis=1)
    saves = np.maximum(saves, 0.0)
    if worst is not None:
        after = stays - limits * (found > 1.0)
        rise = worst * (weights * (_worst(stays, machine, number) - _worst(after, machine, number))).sum(axis=1)
        apart = np.bincount(machine, effect * saves[:, 0], number)
        part = np.maximum(rise, 0.0) / np.maximum(apart, 1e-12)
        return Expects(np.ones(len(machine)), opens[:, 0], saves[:, 0] * part[machine])
    chosen = _paying(opens, saves * effect[:, None], machine, takes)
    rows = np.arange(len(machine))
    return Expects(np.array(BEYOND)[chosen], opens[rows, chosen], saves[rows, chosen])


def _worst(there: FloatArray, machine: IntArray, number: int) -> FloatArray:
    """Return the worst place of each machine in each chance, (m, c)."""
    worst = np.zeros((number, there.shape[1]))
    np.maximum.at(worst, machine, there)
    return worst


def _paying(opens: FloatArray, gains: FloatArray, machine: IntArray, takes: Takes) -> IntArray:
    """Return which of `BEYOND` each place is put right from, so that an hour of its machine's visit gains most.

    The best ratio is found from the one before it (Dinkelbach, Management Science 13, 1967): what gains more in an
    hour than the visit does as a whole is worth opening too.
    """
    rows, chosen = np.arange(len(machine)), np.zeros(len(machine), dtype=np.int64)
    for _ in range(_ROUNDS):
        gain = np.bincount(machine, gains[rows, chosen], len(takes.swept))
        hours = takes.swept + np.bincount(machine, opens[rows, chosen] * takes.opening, len(takes.swept))
        an_hour = (np.maximum(gain, 0.0) / hours)[machine]
        net = gains - an_hour[:, None] * opens * takes.opening[:, None]
        # A place that nothing goes with is opened when it is out, and not before.
        chosen = np.where(gains[:, -1] > 0.0, net.argmax(axis=1), 0)
    return chosen


def _mixed(part: FloatArray, machine: IntArray) -> FloatArray:
    """Shuffle the chances of each place of a machine its own way: drawn alike they would be far out together."""
    mixed = np.empty(part.shape)
    place: dict[int, int] = {}
    orders: list[IntArray] = []
    for row, of in enumerate(machine.tolist()):
        at = place[of] = place.get(of, -1) + 1
        if at == len(orders):
            orders.append(np.random.default_rng(_SEED + at).permutation(part.shape[1]))
        mixed[row] = part[row, orders[at]]
    return mixed


def _weights(factor: FloatArray, torn: Torn) -> FloatArray:
    """Return how likely each chance of a machine is, (m, c), by its rate against its time before and its line's."""
    weight = np.full(factor.shape, 1.0 / factor.shape[1])
    known = (torn.days >= FEWEST_DAYS) & (torn.million > 0.0) & (torn.million_before > 0.0)
    rise = np.zeros(len(known))
    rise[known] = np.log((torn.counts[known] + 1.0) / torn.million[known]) - np.log(
        (torn.counts_before[known] + 1.0) / torn.million_before[known]
    )
    for at in np.flatnonzero(known).tolist():
        others = np.flatnonzero(known & (torn.line == torn.line[at]))
        others = others[others != at]
        if not len(others):
            continue
        variance = (OTHER_CAUSES**2 + SCATTER / max(float(torn.counts[at]), 1.0)) * (1.0 + 1.0 / len(others))
        seen = rise[at] - rise[others].mean()
        fit = -0.5 * (seen - (factor[at] - factor[others].mean())) ** 2 / variance
        likely = np.exp(fit - fit.max())
        weight[at] = likely / likely.sum()
    return weight


def usual_rates(counts: FloatArray, million: FloatArray) -> FloatArray:
    """Return counts per million strokes of each machine, drawn a little to that of all: few counts tell little."""
    if million.sum() <= 0.0:
        return np.zeros(len(counts))
    whole = float(counts.sum() / million.sum())
    more = _USUAL_COUNTS / whole if whole > 0.0 else 0.0
    return np.asarray((counts + whole * more) / np.maximum(million + more, 1e-9))


def worth_a_week(saves: Sequence[float], effects: Sequence[float], a_week: float) -> float:
    """Return the counts that a visit saves in a week, of `a_week` now; saves in limits, effects as logarithms."""
    rise = sum(save * effect for save, effect in zip(saves, effects, strict=True))
    return a_week * -math.expm1(-rise)


def expected_hours(base: float, sweeps: Sequence[float], opens: Sequence[float], opening: Sequence[float]) -> float:
    """Return the hours of a visit that sweeps all stations and opens each with its chance."""
    return base + sum(sweeps) + sum(chance * hours for chance, hours in zip(opens, opening, strict=True))
