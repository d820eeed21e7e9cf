"""Said risk of being out against the true offset, on plants of known truth: python -m tests.bench.bench_risk [PLANTS]

For each world, by tenth of the chance said: how much more (+) or less (-) was true than was said, in points, and of
how many places, now and in 10 and 25 million strokes without a visit. First by the plain rule (each place's own
drift, or its line's, from all changes between visits, with the error of a reading as it is said), then by
`calc.wander`; then the same of machines (any place out), and of the curve that a plant sees: found out against said
to be read so. Goal: within 6 points in every tenth of 400 and more. Last, a world that nothing was set by.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from linelog.calc.drift import FEWEST_PAIRS, Pairs, fit_drift
from linelog.calc.errors import CalcError
from linelog.calc.wander.knowledge import GRID, Knowledge, ahead, study
from linelog.calc.wander.log import Track, Visited
from linelog.calc.wander.said import any_out
from tests.bench import drifting_plants as made
from tests.calc.normal_outside import chance_outside

PLANTS, SEED, ENOUGH, WITHIN = 100, 20270301, 400, 6.0


def seen(track: made.Track) -> Track:
    """Return a place as the program would see it."""
    visits = [
        Visited(when, strokes, jolts, tuple(found), None if left is None else tuple(left), moved, track.u)
        for when, strokes, jolts, found, left, moved in zip(
            track.clock, track.strokes, track.jolts, track.found, track.left, track.moved, strict=True
        )
    ]
    return Track(track.machine, str(track.kind), track.limit, visits)


def by_wander(plant: made.Plant) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, Knowledge]:
    """Chances of places (n, 3) and machines (m, 3); what was said and found of places before visits."""
    tracks = [seen(one) for one in plant.tracks]
    knowledge, held = study(tracks)
    curves = ahead(knowledge, tracks, [one.since_jolts for one in plant.tracks], [(0.0, 0.0, 0.0)] * len(tracks))
    places = np.array(
        [
            np.interp(track.since + np.array(made.AHEAD), GRID, curve.chance)
            for track, curve in zip(plant.tracks, curves, strict=True)
        ]
    )
    machines = np.array([any_out(places[rows], knowledge.together) for rows in of_machines(plant)])
    return places, machines, held.chance, held.out, knowledge


def of_machines(plant: made.Plant) -> list[np.ndarray]:
    """Rows of each machine's places."""
    numbers = np.array([one.machine for one in plant.tracks])
    return [np.flatnonzero(numbers == one) for one in np.unique(numbers)]


def by_plain_rule(plant: made.Plant) -> np.ndarray:
    """Chances of places (n, 3) from plain differences; nan where the line has too few."""
    changes = [list(_changes(one)) for one in plant.tracks]
    chances = np.full((len(plant.tracks), len(made.AHEAD)), np.nan)
    for number, track in enumerate(plant.tracks):
        alike = zip(plant.tracks, changes, strict=True)
        line = [row for one, rows in alike if one.kind == track.kind and one.machine // 8 == track.machine // 8
                for row in rows]  # fmt: skip
        own = changes[number] if len(changes[number]) >= FEWEST_PAIRS else line
        try:
            drift = fit_drift(Pairs.of(*np.array(own, dtype=float).reshape(-1, 3).T), reading_u_um=track.u)
        except CalcError:
            continue
        s = track.since + np.array(made.AHEAD)
        start = track.found[-1] if track.left[-1] is None else track.left[-1]
        cov = track.u**2 * np.eye(2) + drift.cov_um2 * s[:, None, None] + drift.mean_cov_um2 * s[:, None, None] ** 2
        chances[number] = chance_outside(start + drift.mean_um * s[:, None], cov, track.limit)
    return chances


def _changes(track: made.Track):
    for number in range(1, len(track.clock)):
        before = track.found[number - 1] if track.left[number - 1] is None else track.left[number - 1]
        if track.jolts[number] == 0:
            yield (*(track.found[number] - before), track.strokes[number])


@dataclass
class Tally:
    """Chances said and what was true, of many plants."""

    said: list[np.ndarray] = field(default_factory=list)
    true: list[np.ndarray] = field(default_factory=list)

    def add(self, said: np.ndarray, true: np.ndarray) -> None:
        """Take in a plant."""
        known = np.isfinite(said)
        self.said.append(said[known])
        self.true.append(true[known])

    def tenths(self) -> list[tuple[int, float]]:
        """How many were said in each tenth, and how many points more were true than said; nan where none."""
        said, true = np.concatenate(self.said), np.concatenate(self.true)
        tenth = np.minimum((said * 10.0).astype(int), 9)
        rows = [(said[tenth == one], true[tenth == one]) for one in range(10)]
        return [(len(s), 100.0 * float(t.mean() - s.mean()) if len(s) else float("nan")) for s, t in rows]

    def words(self) -> str:
        """Print them."""
        return " ".join(f"{off:+6.1f} ({number})" for number, off in self.tenths())

    def beyond(self) -> list[int]:
        """Tenths of `ENOUGH` and more that are off by more than `WITHIN` points."""
        return [at for at, (number, off) in enumerate(self.tenths()) if number >= ENOUGH and abs(off) > WITHIN]


@dataclass
class OfWorld:
    """What a world's plants came to."""

    plain: Tally = field(default_factory=Tally)
    places: Tally = field(default_factory=Tally)
    machines: Tally = field(default_factory=Tally)
    found: Tally = field(default_factory=Tally)
    errors: list[float] = field(default_factory=list)
    due: list[np.ndarray] = field(default_factory=list)
    unknown: int = 0


def run(world: made.World, plants: int, *, plain: int = 0, seed: int = SEED) -> OfWorld:
    """Make plants and hold what is said of them against what is true; the plain rule of the first `plain` of them."""
    found = OfWorld()
    for number in range(plants):
        plant = world.plant(seed + number)
        places, machines, said, out, knowledge = by_wander(plant)
        if number < plain:
            found.plain.add(by_plain_rule(plant), plant.out)
        if not knowledge.is_enough:
            found.unknown += 1
            continue
        rows = of_machines(plant)
        true = np.array([plant.out[one].any(axis=0) for one in rows])
        found.places.add(places, plant.out)
        found.machines.add(machines, true)
        found.found.add(said, out)
        found.errors.append(knowledge.error)
        top = np.array([places[one, 0].max() for one in rows])
        found.due.append(np.column_stack([top >= 0.2, machines[:, 0] >= 0.5, true[:, 0]]))
    return found


def show(world: made.World, plants: int) -> None:
    """Print the table of a world."""
    begun = time.monotonic()
    found = run(world, plants, plain=plants)
    each, error = (time.monotonic() - begun) / plants, np.mean(found.errors)
    print(
        f"\n{world.name}: {plants} plants, {found.unknown} not known, {each:.2f} s each; real error {error:.2f} said"
    )
    print(f"  plain rule {found.plain.words()}\n  places     {found.places.words()}")
    print(f"  machines   {found.machines.words()}\n  as found   {found.found.words()}")
    place, machine, true = np.concatenate(found.due).astype(bool).T
    print(f"  machines out now: {true.mean():.0%}")
    for what, which in (("a place at 20 % and more", place), ("the machine at 50 % and more", machine)):
        print(f"  machines with {what}: {which.mean():.0%}, of these out {true[which].mean():.0%}")
    print(f"  tenths beyond {WITHIN:g} points: {found.places.beyond() or 'none'}", flush=True)


def main(arguments: Sequence[str]) -> None:
    """Print all worlds, or those whose name holds a word."""
    plants = int(arguments[0]) if arguments else PLANTS
    for world in (*made.WORLDS, *made.KEPT_APART):
        if len(arguments) < 2 or any(word in world.name for word in arguments[1:]):
            show(world, plants)


if __name__ == "__main__":
    main(sys.argv[1:])
