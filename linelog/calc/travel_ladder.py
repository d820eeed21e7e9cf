"""The travels that an adjuster can be given, as a ladder: each with the shims it takes."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from linelog.calc.adjust import Adjuster, Kind
from linelog.calc.require import Floats
from linelog.calc.shims import Ints, Pack, PackTable, Supply, pack_table, supplies, thickness_key

#: Travels looked at on either side of nothing and of the target; more than any alignment needs.
WINDOW_UM = 2000.0
#: Of a finer ladder than this the rungs nearest the target are looked at.
MOST_RUNGS = 4001
_MOST_PACKS = 60_000  # packs laid out one by one where pieces are scarce
_MOST_TAKEN_OUT = 4  # of one thickness, from a pack that was never counted


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
class Ladder:
    """Travels (K,) ascending, the shims each takes (K,), and the pieces it draws of each scarce thickness (K, D)."""

    travels: Floats
    pieces: Floats
    drawn: Ints
    table: PackTable | None = None
    packs: tuple[Pack, ...] = ()

    def setting(self, rung: int) -> Setting:
        """Return the setting of one of the travels."""
        travel = float(self.travels[rung])
        if self.packs:
            return Setting(travel, self.packs[rung])
        return Setting(travel, self.table.packs(travel)[0] if self.table else None)


def ladder_of(adjuster: Adjuster, target_um: float) -> Ladder:
    """Return the travels an adjuster can be given, each by the fewest shims; no thickness is scarce."""
    low, high = adjuster.reach_um
    if adjuster.kind is Kind.SHIM:
        table = pack_table(adjuster, min(max(target_um, low), high), WINDOW_UM)
        near = _near(table.totals_um, target_um)
        return _plain(table.totals_um[near], table.pieces[near].astype(np.float64), table)
    step = adjuster.step_um
    low, high = max(low, min(0.0, target_um) - WINDOW_UM), min(high, max(0.0, target_um) + WINDOW_UM)
    middle = round(min(max(target_um, low), high) / step)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    half = MOST_RUNGS // 2
    steps = np.arange(max(first, middle - half), min(last, middle + half) + 1, dtype=np.float64)
    travels = np.clip(np.union1d(steps, [0.0]) * step, low, high)  # the last step may lie a digit beyond
    return _plain(travels, np.zeros(len(travels)))


def scarce_ladder(adjuster: Adjuster, target_um: float, scarce: Sequence[int]) -> Ladder:
    """Return the same where pieces are scarce: for a travel every pack that no other makes of fewer throughout.

    scarce  `thickness_key` of each thickness of which there are not plenty
    """
    if adjuster.kind is not Kind.SHIM:
        plain = ladder_of(adjuster, target_um)
        return Ladder(plain.travels, plain.pieces, np.zeros((len(plain.travels), len(scarce)), dtype=np.int32))
    stock = supplies(adjuster)
    counts = np.array(list(product(*_counts(stock))), dtype=np.int32)
    travels = counts @ np.array([supply.thickness_um for supply in stock])
    low, high = adjuster.reach_um
    kept = (travels >= low - 1e-6) & (travels <= high + 1e-6)
    counts, travels = counts[kept], travels[kept]
    column = {supply.cells: place for place, supply in enumerate(stock)}
    drawn = np.zeros((len(counts), len(scarce)), dtype=np.int32)
    for place, key in enumerate(scarce):
        if key in column:
            drawn[:, place] = np.maximum(counts[:, column[key]], 0)
    pieces = np.abs(counts).sum(axis=1)
    order = np.lexsort((pieces, np.round(travels, 3))).tolist()
    best = _undominated(order, np.round(travels, 3), drawn)
    packs = tuple(_pack(stock, counts[place]) for place in best)
    return Ladder(travels[best], pieces[best].astype(np.float64), drawn[best], None, packs)


def _plain(travels: Floats, pieces: Floats, table: PackTable | None = None) -> Ladder:
    return Ladder(travels, pieces, np.zeros((len(travels), 0), dtype=np.int32), table)


def _near(travels: Floats, target: float) -> slice | np.ndarray[tuple[int, ...], np.dtype[np.intp]]:
    if len(travels) <= MOST_RUNGS:
        return slice(None)
    nearest = np.sort(np.argsort(np.abs(travels - target), kind="stable")[:MOST_RUNGS])
    return np.union1d(nearest, [int(np.argmin(np.abs(travels)))])


def _counts(stock: Sequence[Supply]) -> list[range]:
    """How many of each thickness may be put in (above nought) or taken out, as far as all can be laid out."""
    most = max(_MOST_TAKEN_OUT, *(s.to_put_in for s in stock if s.to_put_in < 100), 1)
    while True:
        found = [range(-min(s.to_take_out, most, _MOST_TAKEN_OUT), min(s.to_put_in, most) + 1) for s in stock]
        if most == 1 or math.prod(len(one) for one in found) <= _MOST_PACKS:
            return found
        most -= 1


def _undominated(order: Sequence[int], travels: Floats, drawn: Ints) -> list[int]:
    """Of the packs for one travel leave out each that another makes with no more pieces of anything."""
    best: list[int] = []
    first = 0
    for place in order:
        if best and travels[best[-1]] != travels[place]:
            first = len(best)
        mine = best[first:]
        if not mine or not (drawn[mine] <= drawn[place]).all(axis=1).any():
            best.append(place)
    return best


def _pack(stock: Sequence[Supply], counts: Ints) -> Pack:
    each = [(supply.thickness_um, int(count)) for supply, count in zip(stock, counts, strict=True)]
    return Pack(
        tuple(t for t, count in each for _ in range(count)), tuple(t for t, count in each for _ in range(-count))
    )
