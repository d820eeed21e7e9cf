"""Which travels can be had, and which of them together leave the least.

Adjusters that act alike (the feet left and right at one z) move alike. The rest fall into sets that touch the same
residuals; for each set every combination of the travels nearest its least-squares target is tried, sixty of each for
the usual one or two adjusters a direction, fewer where more act together.

Packs that need more pieces of a thickness than are at hand for all of them are chosen anew by a mixed-integer program
(HiGHS through scipy.optimize.milp): one combination for each set, out of the best of them, within what is at hand.
Leaving that competition out can only make the cost lower, so packs that do not compete are the best without it.
The program is not given the pieces themselves: on two cores that took HiGHS from 40 ms to beyond 2 s, and the answer
is wanted between two readings. The tests hold both against each other.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp

from linelog.calc.adjust import Adjuster, Kind, Mount
from linelog.calc.errors import CalcError
from linelog.calc.goal import PIECE_UM, Goal
from linelog.calc.require import Floats
from linelog.calc.shims import Pack, PackTable, pack_table, thickness_key

_COMBINATIONS = 20_000
_RUNGS = 60
_COLUMNS = 100  # combinations of a set that the program may choose from
_SPARE_PIECES = 2  # where pieces are scarce, packs of so many more than the fewest count too
_TRAVELS = 20  # where pieces are scarce: fewer travels, and more packs for each
_TIME_LIMIT_S = 1.0


@dataclass(frozen=True, slots=True)
class Setting:
    """Travel of one adjuster in um, and the pieces that make it where it is a shim pack."""

    travel_um: float
    pack: Pack | None = None

    @property
    def pieces(self) -> int:
        """Shims handled."""
        return self.pack.pieces if self.pack else 0

    def drawn(self, key: int) -> int:
        """Pieces of one thickness that are put in."""
        return sum(thickness_key(thickness) == key for thickness in self.pack.put_in) if self.pack else 0


@dataclass(frozen=True, slots=True)
class Twins:
    """Adjusters that must travel alike, and what 1 um of all of them does to the residuals (R,)."""

    adjuster: Adjuster
    members: tuple[int, ...]
    column: Floats


@dataclass(frozen=True, slots=True)
class Ladder:
    """Travels to try, best first, the fewest shims that each takes, and the table they came from."""

    travels: Floats
    pieces: Floats
    table: PackTable | None = None

    def setting(self, rung: int) -> Setting:
        """Return the setting of one of the travels."""
        return self.settings(rung, 0)[0]

    def settings(self, rung: int, spare: int) -> list[Setting]:
        """Return every setting that makes one of the travels with at most `spare` more shims than the fewest."""
        travel = float(self.travels[rung])
        if self.table is None:
            return [Setting(travel)]
        return [Setting(pack.total_um, pack) for pack in self.table.packs(travel, spare)]


@dataclass(frozen=True, slots=True)
class Combination:
    """Settings of the twins of one set, what they cost, and the pieces they draw of each scarce thickness."""

    settings: tuple[Setting, ...]
    cost: float
    drawn: tuple[int, ...] = ()


def choose(goal: Goal, adjusters: Sequence[Adjuster], body: Mount, target: Floats) -> tuple[Setting, ...]:
    """Return the setting of each adjuster that costs least near `target` (n,), within pieces and bounds."""
    sets = _coupled(goal, _find_twins(goal, adjusters, body))
    chosen = [_search(goal, together, target) for together in sets]
    drawers = _drawers(adjusters)
    drawn = [sum(_drawn(*pair, key) for pair in zip(sets, chosen, strict=True)) for key in drawers]
    if any(number > pieces for number, pieces in zip(drawn, drawers.values(), strict=True)):
        chosen = _share([_columns(goal, together, target, drawers) for together in sets], drawers)
    settings = [Setting(0.0)] * len(adjusters)
    for together, found in zip(sets, chosen, strict=True):
        for twins, setting in zip(together, found, strict=True):
            for member in twins.members:
                settings[member] = setting
    return tuple(settings)


def _find_twins(goal: Goal, adjusters: Sequence[Adjuster], body: Mount) -> list[Twins]:
    """Collect the adjusters that push at one place, one way, by the same means."""
    found: dict[object, list[int]] = {}
    for index, a in enumerate(adjusters):
        means = (a.kind, a.stock, a.pieces_um, a.reach_um, a.pitch_mm, a.resolution_um)
        found.setdefault((*means, *np.round(body.to_travel[index], 6).tolist()), []).append(index)
    return [Twins(adjusters[m[0]], tuple(m), goal.effect[:, m].sum(axis=1)) for m in found.values()]


def _coupled(goal: Goal, twins: list[Twins]) -> list[list[Twins]]:
    """Split into sets that share no residual, nor a pair of residuals of which the larger counts."""
    sets: list[tuple[set[int], list[Twins]]] = []
    for one in twins:
        rows = {int(row) for row in np.flatnonzero(one.column)}
        for pair in goal.worst:
            rows |= set(pair) if not rows.isdisjoint(pair) else set()
        joined = [s for s in sets if not s[0].isdisjoint(rows)]
        sets = [s for s in sets if s[0].isdisjoint(rows)]
        sets.append((rows.union(*(s[0] for s in joined)), [t for s in joined for t in s[1]] + [one]))
    return [members for _, members in sets]


def _search(goal: Goal, together: list[Twins], target: Floats) -> tuple[Setting, ...]:
    ladders = [_ladder(twins.adjuster, float(target[twins.members[0]]), _rungs(together)) for twins in together]
    cost = _costs(goal, together, ladders)
    best = np.unravel_index(np.argmin(cost), cost.shape)
    nothing = _nothing(goal, together)
    if nothing.cost <= cost[best]:
        return nothing.settings
    return tuple(ladder.setting(int(rung)) for ladder, rung in zip(ladders, best, strict=True))


def _rungs(together: list[Twins]) -> int:
    return min(_RUNGS, max(2, int(_COMBINATIONS ** (1.0 / len(together)))))


def _costs(goal: Goal, together: list[Twins], ladders: list[Ladder]) -> Floats:
    """Cost of every combination, an axis for each ladder."""
    handled = [ladder.pieces * len(twins.members) for ladder, twins in zip(ladders, together, strict=True)]
    travels = np.meshgrid(*(ladder.travels for ladder in ladders), indexing="ij", sparse=True)
    shims = np.meshgrid(*handled, indexing="ij", sparse=True)
    cost = goal.cost([twins.column for twins in together], travels) + PIECE_UM * sum(shims)
    # Rounded, so that ties go to the travels nearest the target and not to the last bit of a sum.
    return np.asarray(np.round(cost, 6))


def _nothing(goal: Goal, together: list[Twins], scarce: int = 0) -> Combination:
    still = [np.zeros(1)] * len(together)
    cost = goal.cost([twins.column for twins in together], still).item()
    return Combination((Setting(0.0),) * len(together), cost, (0,) * scarce)


def _ladder(adjuster: Adjuster, target: float, most: int) -> Ladder:
    """Return the `most` best travels that can be had near the target."""
    low, high = adjuster.reach_um
    if adjuster.kind is Kind.SHIM:
        table = pack_table(adjuster, min(max(target, low), high))
        # Pieces count as they do in the cost, else a rich stock would offer only packs of many pieces.
        best = _nearest(table.totals_um, target, table.pieces)[:most]
        return Ladder(table.totals_um[best], table.pieces[best].astype(np.float64), table)
    step = adjuster.step_um
    middle = round(min(max(target, low), high) / step)
    steps = np.arange(middle - most // 2 - 1, middle + most // 2 + 2, dtype=np.float64)
    inside = steps[(steps >= low / step - 1e-9) & (steps <= high / step + 1e-9)]
    travels: Floats = np.clip(inside * step, low, high)  # the last step times its size may lie a digit beyond
    best = _nearest(travels, target)[:most]
    return Ladder(travels[best], np.zeros(len(best)))


def _nearest(travels: Floats, target: float, pieces: NDArray[np.integer] | int = 0) -> NDArray[np.intp]:
    return np.argsort(np.round(np.abs(travels - target) + PIECE_UM * pieces, 6), kind="stable")


def _drawers(adjusters: Sequence[Adjuster]) -> dict[int, int]:
    """Pieces at hand of each thickness of which there are not plenty: the least that any adjuster lists."""
    drawers: dict[int, int] = {}
    for adjuster in adjusters:
        for thickness, pieces in adjuster.stock:
            if pieces is not None:
                key = thickness_key(thickness)
                drawers[key] = min(drawers.get(key, int(pieces)), int(pieces))
    return drawers


def _drawn(together: list[Twins], settings: Sequence[Setting], key: int) -> int:
    return sum(len(twins.members) * s.drawn(key) for twins, s in zip(together, settings, strict=True))


def _columns(goal: Goal, together: list[Twins], target: Floats, drawers: dict[int, int]) -> list[Combination]:
    """Return the best combinations of a set that it could have if it had all the pieces to itself, and nothing."""
    if not any(twins.adjuster.kind is Kind.SHIM for twins in together):
        return [Combination(_search(goal, together, target), 0.0, (0,) * len(drawers))]
    most = _rungs(together)
    rungs = [_settings(twins, float(target[twins.members[0]]), most) for twins in together]
    ladders = [Ladder(np.array([s.travel_um for s in r]), np.array([float(s.pieces) for s in r])) for r in rungs]
    cost = _costs(goal, together, ladders)
    fits = np.ones(cost.shape, dtype=bool)
    for key, pieces in drawers.items():
        each = [[len(t.members) * s.drawn(key) for s in r] for t, r in zip(together, rungs, strict=True)]
        fits &= sum(np.meshgrid(*each, indexing="ij", sparse=True)) <= pieces
    best = np.argsort(np.where(fits, cost, np.inf), axis=None, kind="stable")[: min(_COLUMNS, int(fits.sum()))]
    found = [_nothing(goal, together, len(drawers))]
    for place in zip(*np.unravel_index(best, cost.shape), strict=True):
        settings = tuple(r[int(rung)] for r, rung in zip(rungs, place, strict=True))
        drawn = tuple(_drawn(together, settings, key) for key in drawers)
        found.append(Combination(settings, float(cost[place]), drawn))
    return found


def _settings(twins: Twins, target: float, most: int) -> list[Setting]:
    """Return the `most` best settings near the target, every pack for one travel counted apart."""
    is_pack = twins.adjuster.kind is Kind.SHIM
    ladder = _ladder(twins.adjuster, target, min(most, _TRAVELS) if is_pack else most)
    found = [s for rung in range(len(ladder.travels)) for s in ladder.settings(rung, _SPARE_PIECES)]
    best = _nearest(np.array([s.travel_um for s in found]), target, np.array([s.pieces for s in found]))
    return [found[int(place)] for place in best[:most]]


def _share(columns: list[list[Combination]], drawers: dict[int, int]) -> list[tuple[Setting, ...]]:
    """Choose one combination for each set at the least cost, with no more pieces drawn than are at hand."""
    flat = [(index, one) for index, some in enumerate(columns) for one in some]
    one_each = np.array([[float(index == row) for index, _ in flat] for row in range(len(columns))])
    drawn = np.array([one.drawn for _, one in flat]).T
    solved = milp(
        [one.cost for _, one in flat],
        constraints=[LinearConstraint(one_each, 1.0, 1.0), LinearConstraint(drawn, 0.0, list(drawers.values()))],
        integrality=np.ones(len(flat), dtype=np.int64),
        bounds=Bounds(0.0, 1.0),
        options={"time_limit": _TIME_LIMIT_S},
    )
    if solved.x is None:
        raise CalcError("The pieces at hand could not be shared out: check the stock.", field="stock")
    return [one.settings for (_, one), taken in zip(flat, solved.x, strict=True) if taken > 0.5]
