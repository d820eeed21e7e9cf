"""Which travels together leave least, in the order of merit told in `goal`; exact over all that can be had.

Adjusters that act alike (the feet left and right at one z) move alike. The rest fall into parts that share no
residual. Of each part every setting that could be in the best answer is laid out (`box_search`): first those within
the limits, then, where none of them brings everything inside, those no worse than a rounded guess. What is left of
the parts is then weighed together, seat by seat.

Where packs need more pieces of a thickness than are at hand for all of them, it is done anew with every pack apart
(`travel_ladder.scarce_ladder`), and only answers count that the pieces suffice for.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import reduce

import numpy as np
from numpy.typing import NDArray

from linelog.calc.adjust import Adjuster, Mount
from linelog.calc.box_search import Triangle, within
from linelog.calc.goal import HAIR_UM, SAME_UM, STRAIN, Goal
from linelog.calc.require import Floats
from linelog.calc.shims import thickness_key
from linelog.calc.travel_ladder import Ladder, Setting, ladder_of, scarce_ladder

_NOTHING_UM = 2.0 * SAME_UM  # in one direction: neither a dial nor a shim can tell
_BIN_UM = SAME_UM / 2.0
_SAME = 0.98 * SAME_UM
_A_MICROMETRE = 0.005  # of travel, against one of what is left: no far way for next to nothing
_ALL_SEATS = 1e-5  # where the worst seat is the same, the others decide
_MOST = 400  # settings of one part that are weighed with those of the others

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Part:
    """Adjusters that share residuals: `members` of each travel alike. effect (R, g) of each, summed over them."""

    members: tuple[tuple[int, ...], ...]
    ladders: tuple[Ladder, ...]
    effect: Floats
    target: Floats
    rows: tuple[int, ...]

    @property
    def travels(self) -> list[Floats]:
        """The travels of each."""
        return [ladder.travels for ladder in self.ladders]

    @property
    def still(self) -> list[int]:
        """The rungs at which nothing is touched."""
        return [_nearest(travels, 0.0) for travels in self.travels]

    @property
    def near(self) -> list[int]:
        """The rungs nearest what is aimed at."""
        return [_nearest(travels, aim) for travels, aim in zip(self.travels, self.target, strict=True)]


@dataclass(frozen=True, slots=True)
class Found:
    """Settings of some parts: rungs (N, g) and what they do: moved (N, R), shims, squared travel, pieces drawn."""

    rungs: NDArray[np.int64]
    moved: Floats
    pieces: Floats
    travel2: Floats
    drawn: NDArray[np.int64]

    def __getitem__(self, kept: Bools | NDArray[np.intp]) -> "Found":
        """Those of them that are kept."""
        return Found(self.rungs[kept], self.moved[kept], self.pieces[kept], self.travel2[kept], self.drawn[kept])


@dataclass(frozen=True, slots=True)
class Search:
    """One search: the goal, its parts, and how many pieces of each scarce thickness there are."""

    goal: Goal
    parts: tuple[Part, ...]
    at_hand: NDArray[np.int64]

    def best(self, *, keep_tilt: bool = False) -> Found:
        """Return the one answer (N = 1); `keep_tilt` leaves out every answer with the slope beyond its limit."""
        guesses = [self._made([part.still for part in self.parts]), self._made([part.near for part in self.parts])]
        guesses = [guess for guess in guesses if self._fits(guess).all()]
        inside = self._answer(guesses, self.goal.inside, self.goal.limit_um, tilted=True)
        if inside is not None:
            return inside
        kept = self._tilt_kept if keep_tilt else self._any
        return self._answer(guesses, kept, math.inf, tilted=keep_tilt) or guesses[0]

    def _any(self, rows: Floats) -> Bools:
        return np.ones(len(rows), dtype=bool)

    def _tilt_kept(self, rows: Floats) -> Bools:
        return np.asarray(self.goal.tilt(rows) <= self.goal.tilt_room * (1.0 + HAIR_UM))

    def _made(self, rungs: Sequence[Sequence[int]]) -> Found:
        each = [_found(part, np.array([r], dtype=np.int64)) for part, r in zip(self.parts, rungs, strict=True)]
        return reduce(_together, each)

    @property
    def _offsets(self) -> list[int]:
        """Rows of the seats and of the strains."""
        return [*range(2 * self.goal.seats), *range(self.goal.first_slope + 2, len(self.goal.start))]

    def _fits(self, found: Found) -> Bools:
        return np.asarray((found.drawn <= self.at_hand).all(axis=1))

    def _answer(
        self, guesses: Sequence[Found], kept: Callable[[Floats], Bools], reach: float, *, tilted: bool
    ) -> Found | None:
        """Return the best that `kept` lets through, no worse than `reach` and the guesses; None without any."""
        goal = self.goal
        rows = np.vstack([goal.start + guess.moved for guess in guesses])
        good = [guess for guess, passes in zip(guesses, kept(rows).tolist(), strict=True) if passes]
        reach = float(min([reach, *goal.worst(rows)[kept(rows)].tolist()]))
        each = [
            self._in_box(part, self._bounds(part, reach, good, tilted=tilted), tilted=tilted) for part in self.parts
        ]
        if not all(len(found.rungs) for found in each):
            return good[0] if good else None
        base = self._least(each, good, kept, tilted=tilted)
        return None if base is None else self._cheapest(each, base, kept)

    def _least(
        self, each: Sequence[Found], good: Sequence[Found], kept: Callable[[Floats], Bools], *, tilted: bool
    ) -> Found | None:
        """Return what leaves the worst seat least of all that `kept` lets through; None where it lets none."""
        goal, fronts = self.goal, []
        for part, found in zip(self.parts, each, strict=True):
            objectives = [np.abs(goal.start + found.moved)[:, self._judged(part, tilted=tilted)], found.drawn]
            fronts.append(found[_front(np.hstack(objectives), self._rest(part, found))])
        best = self._combined(fronts, *good)
        rows = goal.start + best.moved
        allowed = kept(rows) & self._fits(best)
        if not allowed.any():
            return None
        seats = _ALL_SEATS * np.abs(rows[:, : 2 * goal.seats]).sum(axis=1)
        merit = np.where(allowed, goal.worst(rows) + seats, np.inf)
        return best[np.array([int(np.argmin(merit))])]

    def _judged(self, part: Part, *, tilted: bool) -> list[int]:
        slopes = (self.goal.first_slope, self.goal.first_slope + 1)
        return [row for row in part.rows if tilted or row not in slopes]

    def _bounds(self, part: Part, reach: float, good: Sequence[Found], *, tilted: bool) -> Floats:
        """How large each residual of a part may be (R,) in an answer that is no worse than `reach`."""
        goal = self.goal
        fixed = goal.start[None].copy()
        fixed[0, [row for one in self.parts for row in one.rows]] = 0.0
        if not math.isfinite(reach):
            return np.full(len(goal.start), 1e6)
        room = np.sqrt(np.maximum(reach**2 - goal.radial(fixed)[0] ** 2, 0.0))
        if goal.seats == 1 and not tilted:  # each part for itself: no worse than it is in a guess
            own = np.zeros(len(goal.start), dtype=bool)
            own[list(part.rows)] = True
            mine = [goal.worst(np.where(own, goal.start + one.moved, 0.0))[0] for one in good]
            room = np.minimum(room, min(mine, default=math.inf))
        strains = np.full(len(goal.start) - goal.first_slope - 2, room.max() / STRAIN)
        tilt = np.full(2, goal.tilt_room or 1.0)
        wide = np.concatenate([np.repeat(room, 2), [1.0], tilt, strains])
        wide[self._offsets] = np.maximum(wide[self._offsets] + SAME_UM, _NOTHING_UM)
        return wide

    def _in_box(self, part: Part, bounds: Floats, *, tilted: bool) -> Found:
        """Return the settings of a part whose residuals can be within their bounds; few where reach is endless."""
        goal, rows = self.goal, self._judged(part, tilted=tilted)
        if not rows:  # only slopes that do not count
            return _found(part, np.array([part.still], dtype=np.int64))
        seats = {row // 2 for row in rows if row < 2 * goal.seats}
        slopes = any(row in (goal.first_slope, goal.first_slope + 1) for row in rows)
        strains = sum(row > goal.first_slope + 1 for row in rows)
        triangle = Triangle(part.effect[rows], goal.start[rows], bounds[rows])
        found = _found(part, within(triangle, part.travels, part.target, float(len(seats) + slopes + strains)))
        near = (np.abs(goal.start + found.moved)[:, rows] <= bounds[rows] * (1 + 1e-9) + 1e-9).all(axis=1)
        return found[near & self._fits(found)]

    def _cheapest(self, each: Sequence[Found], base: Found, kept: Callable[[Floats], Bools]) -> Found:
        """Of what leaves no more than `base` return what has the least slope, where limited, and costs least."""
        goal, fronts = self.goal, []
        slopes = [goal.first_slope, goal.first_slope + 1]
        least = np.abs(goal.start + base.moved[0])
        bounds = np.maximum(least + SAME_UM, _NOTHING_UM)
        for part, found in zip(self.parts, each, strict=True):
            rows = [row for row in part.rows if row not in slopes]
            near = found[(np.abs(goal.start + found.moved)[:, rows] <= bounds[rows] + 1e-9).all(axis=1)]
            size = np.abs(goal.start + near.moved)
            more = np.ceil(np.maximum(size - least, 0.0)[:, rows] / _BIN_UM)
            own = [row for row in part.rows if row in slopes]
            tilts = np.hstack([np.abs(rows)[:, own] for rows in goal.against(near.moved)])
            endways = np.abs(near.moved[:, [2 * goal.seats]])
            costs = np.column_stack([near.pieces, near.travel2])
            objectives = np.hstack([more, tilts, endways, costs, near.drawn])
            fronts.append(near[_front(objectives, self._rest(part, near) + near.pieces)])
        every = self._combined(fronts, base)
        same = goal.worst(goal.start + every.moved) <= goal.worst(goal.start + base.moved)[0] + _SAME
        every = every[same & kept(goal.start + every.moved) & self._fits(every)]
        for which in range(len(goal.against(every.moved))):
            tilt = goal.tilt(goal.against(every.moved)[which])
            every = every[tilt <= tilt.min() + goal.same_tilt + 1e-12]
        endways = np.round(np.abs(every.moved[:, 2 * goal.seats]), 3)
        return every[np.lexsort((self._rest(None, every), endways, every.pieces))[:1]]

    def _rest(self, part: Part | None, found: Found) -> Floats:
        """Return what is left, of one part or of the whole, and a little for the way to it, in um (N,)."""
        goal = self.goal
        left, against = goal.start + found.moved, goal.against(found.moved)[0]
        if part is not None:
            own = np.isin(np.arange(len(goal.start)), part.rows)
            left, against = np.where(own, left, 0.0), np.where(own, against, 0.0)
        lever = goal.limit_um / goal.tilt_limit if goal.tilt_limit else 0.0
        return np.asarray(goal.worst(left) + lever * goal.tilt(against) + _A_MICROMETRE * np.sqrt(found.travel2))

    def _combined(self, each: Sequence[Found], *also: Found) -> Found:
        """Return every combination of what was found of the parts, and what is known besides."""
        goal, combined = self.goal, each[0]
        for found in each[1:]:
            combined = _together(combined, found)
            if len(self.at_hand):
                combined = combined[self._fits(combined)]
            if len(combined.rungs) > _MOST * 100:
                order = np.argsort(goal.worst(goal.start + combined.moved), kind="stable")
                combined = combined[order[: _MOST * 100]]
        return reduce(_joined, also, combined)


def choose(
    goal: Goal, adjusters: Sequence[Adjuster], body: Mount, target: Floats, *, keep_tilt: bool = False
) -> tuple[Setting, ...]:
    """Return the setting of each adjuster that leaves least, within pieces and bounds; `target` (n,) is the ideal."""
    drawers = _drawers(adjusters)
    search = Search(goal, _parts(goal, adjusters, body, target, ()), np.zeros(0, dtype=np.int64))
    settings = _settings(search, len(adjusters), keep_tilt=keep_tilt)
    if any(sum(setting.drawn(key) for setting in settings) > pieces for key, pieces in drawers.items()):
        parts = _parts(goal, adjusters, body, target, tuple(drawers))
        search = Search(goal, parts, np.array(list(drawers.values()), dtype=np.int64))
        settings = _settings(search, len(adjusters), keep_tilt=keep_tilt)
    return settings


def _settings(search: Search, adjusters: int, *, keep_tilt: bool) -> tuple[Setting, ...]:
    settings = [Setting(0.0)] * adjusters
    if not search.parts:
        return tuple(settings)
    rungs = iter(search.best(keep_tilt=keep_tilt).rungs[0].tolist())
    for part in search.parts:
        for members, ladder in zip(part.members, part.ladders, strict=True):
            setting = ladder.setting(next(rungs))
            for member in members:
                settings[member] = setting
    return tuple(settings)


def _parts(
    goal: Goal, adjusters: Sequence[Adjuster], body: Mount, target: Floats, scarce: tuple[int, ...]
) -> tuple[Part, ...]:
    """Collect adjusters that act alike, and split them into parts that share no residual that counts."""
    twins: dict[object, list[int]] = {}
    for index, a in enumerate(adjusters):
        means = (a.kind, a.stock, a.pieces_um, a.reach_um, a.pitch_mm, a.resolution_um)
        twins.setdefault((*means, *np.round(body.to_travel[index], 6).tolist()), []).append(index)
    counted = goal.counted
    parts: list[tuple[set[int], list[list[int]]]] = []
    for members in twins.values():
        rows = {row for row in counted if goal.effect[row, members].sum() != 0.0}
        if not rows:
            continue  # it moves nothing that counts: it is left
        joined = [part for part in parts if not part[0].isdisjoint(rows)]
        parts = [part for part in parts if part[0].isdisjoint(rows)]
        parts.append((rows.union(*(p[0] for p in joined)), [m for p in joined for m in p[1]] + [members]))
    return tuple(_part(goal, adjusters, target, scarce, sorted(rows), members) for rows, members in parts)


def _part(
    goal: Goal,
    adjusters: Sequence[Adjuster],
    target: Floats,
    scarce: tuple[int, ...],
    rows: Sequence[int],
    members: Sequence[Sequence[int]],
) -> Part:
    aims = [float(target[m[0]]) for m in members]
    ladders = [
        scarce_ladder(adjusters[m[0]], aim, scarce) if scarce else ladder_of(adjusters[m[0]], aim)
        for m, aim in zip(members, aims, strict=True)
    ]
    effect = np.column_stack([goal.effect[:, m].sum(axis=1) for m in members])
    return Part(tuple(map(tuple, members)), tuple(ladders), effect, np.array(aims), tuple(rows))


def _found(part: Part, rungs: NDArray[np.int64]) -> Found:
    travels = np.column_stack([t[r] for t, r in zip(part.travels, rungs.T, strict=True)])
    many = np.array([len(m) for m in part.members], dtype=np.int64)
    pieces = sum(n * ladder.pieces[r] for n, ladder, r in zip(many, part.ladders, rungs.T, strict=True))
    drawn = sum(n * ladder.drawn[r] for n, ladder, r in zip(many, part.ladders, rungs.T, strict=True))
    return Found(rungs, travels @ part.effect.T, np.asarray(pieces), travels**2 @ many, np.asarray(drawn, np.int64))


def _together(a: Found, b: Found) -> Found:
    """Every pair of the two."""
    i, j = (place.ravel() for place in np.indices((len(a.rungs), len(b.rungs))))
    return Found(
        np.hstack([a.rungs[i], b.rungs[j]]),
        a.moved[i] + b.moved[j],
        a.pieces[i] + b.pieces[j],
        a.travel2[i] + b.travel2[j],
        a.drawn[i] + b.drawn[j],
    )


def _joined(a: Found, b: Found) -> Found:
    return Found(
        np.vstack([a.rungs, b.rungs]),
        np.vstack([a.moved, b.moved]),
        np.concatenate([a.pieces, b.pieces]),
        np.concatenate([a.travel2, b.travel2]),
        np.vstack([a.drawn, b.drawn]),
    )


def _front(objectives: Floats, merit: Floats) -> NDArray[np.intp]:
    """Places of the rows (N, k) that no other row is as good as or better than throughout; at most `_MOST`.

    merit (N,): of very many, those that have least of it are looked at.
    """
    order = np.argsort(merit, kind="stable")[: _MOST * 10]
    values = np.round(objectives, 6)[order]
    kept: list[int] = []
    while len(order) and len(kept) < _MOST:
        kept.append(int(order[0]))
        left = (values < values[0]).any(axis=1)
        left[0] = False
        values, order = values[left], order[left]
    return np.array(kept, dtype=np.intp)


def _nearest(travels: Floats, aim: float) -> int:
    return int(np.argmin(np.abs(travels - aim)))


def _drawers(adjusters: Sequence[Adjuster]) -> dict[int, int]:
    """Pieces at hand of each thickness of which there are not plenty: the least that any adjuster lists."""
    drawers: dict[int, int] = {}
    for adjuster in adjusters:
        for thickness, pieces in adjuster.stock:
            if pieces is not None:
                key = thickness_key(thickness)
                drawers[key] = min(drawers.get(key, int(pieces)), int(pieces))
    return drawers
