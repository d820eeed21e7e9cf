"""Shim packs from stock: which thicknesses can be reached, and by the fewest pieces.

A pack is changed by whole pieces put in and taken out, never both of one thickness. The fewest pieces for every
reachable change come from dynamic programming over the thicknesses, thickest first (the bounded knapsack: Martello
and Toth, Knapsack Problems, 1990, ch. 3, from memory), exact and in a fraction of a millisecond for a usual stock. A
mixed-integer program of the same question takes HiGHS 10 to 100 times as long: it is kept for what the table cannot
answer, several packs that compete for the same few pieces.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from linelog.calc.adjust import Adjuster
from linelog.calc.require import Floats

Ints = NDArray[np.int32]

_CELL_UM = 0.05  # thicknesses are kept to this: it holds 0.01 mm and 0.00025 in stock without rounding
_PLENTY = 1 << 20
_NEVER = 1 << 28
# The table reaches this many of the thickest beyond the target,
_BEYOND = 2
# and pieces laid thickest first may overshoot it on the way by as much as this many.
_SLACK = 2
_ROUND_UM = 500.0  # tables are made for whole multiples of this, and kept


@dataclass(frozen=True, slots=True)
class Pack:
    """Change to a shim pack: thicknesses in um put in and taken out, each thickest first."""

    put_in: tuple[float, ...] = ()
    take_out: tuple[float, ...] = ()

    @property
    def total_um(self) -> float:
        """Travel: what is put in less what is taken out."""
        return math.fsum(self.put_in) - math.fsum(self.take_out)

    @property
    def pieces(self) -> int:
        """Pieces handled."""
        return len(self.put_in) + len(self.take_out)


@dataclass(frozen=True, slots=True)
class Supply:
    """One thickness, and how many pieces of it can be put in and taken out."""

    thickness_um: float
    to_put_in: int
    to_take_out: int

    @property
    def cells(self) -> int:
        """Thickness in whole cells of the table."""
        return thickness_key(self.thickness_um)


@dataclass(frozen=True, slots=True)
class PackTable:
    """Fewest pieces for each change that can be reached between two travels.

    totals_um  (m,) reachable changes, ascending; 0 is always one
    pieces     (m,) fewest pieces for each
    """

    totals_um: Floats
    pieces: Ints
    _supplies: tuple[Supply, ...]
    _layers: tuple[Ints, ...]
    _origin: int
    _grid: int

    def packs(self, total_um: float, spare: int = 0) -> list[Pack]:
        """Return the packs that make this change, one of `totals_um`, fewest pieces first.

        None of more than `spare` pieces above the fewest, and at most a hundred.
        """
        cell = round(total_um / (_CELL_UM * self._grid)) + self._origin
        most = int(self._layers[-1][cell]) + spare
        found = islice(self._laid(len(self._supplies), cell, most), 1 if spare == 0 else 100)
        return sorted(found, key=lambda pack: pack.pieces)

    def _laid(self, used: int, cell: int, most: int) -> Iterator[Pack]:
        """Every way to reach `cell` by the first `used` supplies with at most so many pieces."""
        if used == 0:
            yield Pack()
            return
        supply, fewest = self._supplies[used - 1], self._layers[used - 1]
        step = supply.cells // self._grid
        for count in _counts(supply, most):
            before = cell - count * step
            if 0 <= before < len(fewest) and fewest[before] + abs(count) <= most:
                for pack in self._laid(used - 1, before, most - abs(count)):
                    more = (supply.thickness_um,) * abs(count)
                    yield (
                        replace(pack, put_in=pack.put_in + more)
                        if count > 0
                        else replace(pack, take_out=pack.take_out + more)
                    )


def thickness_key(thickness_um: float) -> int:
    """Whole cells of 0.05 um in a thickness: thicknesses with one key are the same shim."""
    return round(thickness_um / _CELL_UM)


def supplies(adjuster: Adjuster) -> tuple[Supply, ...]:
    """Return what an adjuster's pack can be changed by, thickest first."""
    at_hand = {thickness_key(t): (t, _PLENTY if pieces is None else int(pieces)) for t, pieces in adjuster.stock}
    inside: dict[int, int] = {}
    for thickness in adjuster.pieces_um or ():
        key = thickness_key(thickness)
        inside[key] = inside.get(key, 0) + 1
        at_hand.setdefault(key, (thickness, 0))
    unknown = 0 if adjuster.pieces_um is not None else _PLENTY
    return tuple(Supply(*at_hand[key], inside.get(key, unknown)) for key in sorted(at_hand, reverse=True))


def pack_table(adjuster: Adjuster, target_um: float, beyond_um: float = 0.0) -> PackTable:
    """Work out the changes within the adjuster's reach, from nothing to `beyond_um` past `target_um`, either way.

    Never less than two of the thickest past it. Fewest among packs that, laid thickest first, do not overshoot the
    last of them by two more of the thickest on the way.
    """
    stock = supplies(adjuster)
    (low, high), beyond = adjuster.reach_um, max(beyond_um, _BEYOND * stock[0].thickness_um)
    low, high = max(low, min(0.0, target_um) - beyond), min(high, max(0.0, target_um) + beyond)
    layers, origin, grid = _layers(stock, math.floor(low / _ROUND_UM), math.ceil(high / _ROUND_UM))
    totals: Floats = (np.arange(len(layers[0]), dtype=np.float64) - origin) * (grid * _CELL_UM)
    keep = (layers[-1] < _NEVER) & (totals >= low - _CELL_UM) & (totals <= high + _CELL_UM)
    return PackTable(totals[keep], layers[-1][keep], stock, layers, origin, grid)


@lru_cache(maxsize=32)
def _layers(stock: tuple[Supply, ...], low: int, high: int) -> tuple[tuple[Ints, ...], int, int]:
    """Fewest pieces of the first 0, 1, 2 ... thicknesses for each change, where no change lies, and cells a row.

    low, high  ends of what is asked for, in whole `_ROUND_UM`, so that readings little apart share one table
    """
    grid = math.gcd(*(supply.cells for supply in stock))
    cell = grid * _CELL_UM
    margin = _SLACK * stock[0].cells // grid + 1
    origin = margin + math.ceil(-low * _ROUND_UM / cell)
    layers = [np.full(origin + math.ceil(high * _ROUND_UM / cell) + margin + 1, _NEVER, dtype=np.int32)]
    layers[0][origin] = 0
    for supply in stock:
        step, last = supply.cells // grid, layers[-1]
        more = _spread(last, step, supply.to_put_in)
        less = _spread(last[::-1], step, supply.to_take_out)[::-1]
        layers.append(np.minimum(more, less))
    for layer in layers:
        layer.flags.writeable = False
    return tuple(layers), origin, grid


def _spread(fewest: Ints, step: int, most: int) -> Ints:
    """Fewest pieces after up to `most` more pieces of `step` cells have been laid on."""
    if most * step >= len(fewest):  # as good as any number: a running minimum down each column of stride `step`
        rows = -(-len(fewest) // step)
        padded = np.full(rows * step, _NEVER, dtype=np.int32)
        padded[: len(fewest)] = fewest
        laid = np.arange(rows, dtype=np.int32)[:, None]
        running = np.minimum.accumulate(padded.reshape(rows, step) - laid, axis=0) + laid
        return np.minimum(running.ravel()[: len(fewest)], _NEVER)
    out = fewest.copy()
    for pieces in range(1, most + 1):
        np.minimum(out[pieces * step :], fewest[: -pieces * step] + pieces, out=out[pieces * step :])
    return np.minimum(out, _NEVER)


def _counts(supply: Supply, most: int) -> Iterator[int]:
    """Numbers of pieces of one thickness, fewest first; negative for taken out."""
    yield 0
    for count in range(1, most + 1):
        if count <= supply.to_put_in:
            yield count
        if count <= supply.to_take_out:
            yield -count
