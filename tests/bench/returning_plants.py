"""Invented plants in which some stations come back from a known day on: two makers that share no physics.

`by_relaxing`: fasteners relax with the logarithm of the strokes since they were set, visits by the calendar and after
crashes, whole machines jolted by jams. `by_slipping`: mounts slip in steps of gamma sizes, visits are called by the
worst station, a dial that is off further than it says. In both a few stations become loose on a day of their own. All
figures are invented, as shares of a station's limit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Rng = np.random.Generator
MACHINES, STATIONS, DAYS, LOOSE = 12, 5, 730, 4
FIRST_ONSET, LAST_ONSET = 120, 560
NO_SHARE = np.zeros(2)


@dataclass
class Look:
    """A visit to a station: the day, how it was read and truly was, as shares of the limit, and as it was left."""

    day: int
    found: Floats
    true: float
    left: Floats
    u: float


@dataclass
class Place:
    """A station of a machine; `onset`: the day from which it comes back, None: it never does."""

    machine: int
    station: int
    onset: int | None
    looks: list[Look] = field(default_factory=list)

    def out_share(self, since: int = 0) -> float:
        """Share of the visits from a day on at which it truly was out; nought without any."""
        some = [one.true > 1.0 for one in self.looks if one.day >= since]
        return float(np.mean(some)) if some else 0.0


def _planted(rng: Rng) -> dict[tuple[int, int], int]:
    machines = rng.permutation(MACHINES)[:LOOSE]
    return {
        (int(machine), int(rng.integers(STATIONS))): int(rng.integers(FIRST_ONSET, LAST_ONSET))
        for machine in machines
    }


def _toward(angle: Floats) -> Floats:
    return np.column_stack([np.sin(angle), np.cos(angle)])


def by_relaxing(rng: Rng) -> list[Place]:
    """Fasteners that relax; visits every so many days and after crashes."""
    loose, places = _planted(rng), []
    u = rng.uniform(0.03, 0.1, STATIONS)
    every, touched, aim = rng.uniform(45.0, 85.0), rng.uniform(0.5, 0.8), rng.uniform(0.08, 0.22)
    for machine in range(MACHINES):
        own = [Place(machine, one, loose.get((machine, one))) for one in range(STATIONS)]
        toward = rng.uniform(0.0, 2.0 * np.pi, STATIONS)
        usual, much = rng.gamma(6.0, 0.3 / 6.0, STATIONS), rng.uniform(1.3, 2.4)
        a_day, walk = rng.uniform(0.3, 0.45), rng.uniform(0.02, 0.05)
        true, strokes, next_visit = rng.normal(0.0, 0.3, (STATIONS, 2)), np.zeros(STATIONS), rng.uniform(0.0, every)
        for day in range(DAYS):
            is_loose = np.array([one.onset is not None and day >= one.onset for one in own])
            for at in np.flatnonzero([one.onset == day for one in own]):
                strokes[at] = 0.0  # what came loose settles from here
            before = np.log1p(strokes)
            strokes += a_day
            way = toward + np.where(is_loose, rng.normal(0.0, 0.25, STATIONS), rng.normal(0.0, 0.8, STATIONS))
            size = np.where(is_loose, much, usual) * (np.log1p(strokes) - before) / np.log1p(20.0)
            true = true + _toward(way) * size[:, None] + rng.normal(0.0, walk * np.sqrt(a_day), (STATIONS, 2))
            crash = rng.random() < 0.002
            if crash:
                true = true + rng.normal(0.0, 0.35, 2) + rng.normal(0.0, 0.15, (STATIONS, 2))
            if day < next_visit and not (crash and rng.random() < 0.85):
                continue
            next_visit = day + every + rng.normal(0.0, 12.0)
            for at, one in enumerate(own):
                found = true[at] + rng.normal(0.0, u[at], 2)
                was = float(np.hypot(*true[at]))
                if np.hypot(*found) > touched:
                    true[at], strokes[at] = rng.normal(0.0, aim, 2), 0.0
                one.looks.append(Look(day, found, was, true[at] + rng.normal(0.0, u[at], 2), u[at]))
        places += own
    return places


def by_slipping(rng: Rng) -> list[Place]:
    """Mounts that slip; visits called by the worst station, or when the last is long ago."""
    loose, places = _planted(rng), []
    said = rng.uniform(0.03, 0.07)
    real = said * rng.uniform(1.0, 1.8)
    for machine in range(MACHINES):
        own = [Place(machine, one, loose.get((machine, one))) for one in range(STATIONS)]
        toward, narrow = rng.uniform(0.0, 2.0 * np.pi, STATIONS), rng.uniform(2.0, 8.0)
        rate, step = rng.gamma(3.0, 0.02 / 3.0, STATIONS), rng.uniform(0.1, 0.25)
        true, last, quiet = rng.normal(0.0, 0.25, (STATIONS, 2)), -int(rng.integers(0, 60)), rng.uniform(55.0, 80.0)
        for day in range(DAYS):
            is_loose = np.array([one.onset is not None and day >= one.onset for one in own])
            slips = rng.poisson(np.where(is_loose, 0.15, rate))
            size = slips * rng.gamma(1.5, np.where(is_loose, 0.18, step) / 1.5)
            true = true + _toward(toward + rng.vonmises(0.0, narrow, STATIONS)) * size[:, None]
            true = np.clip(true, -2.5, 2.5)
            worst = np.hypot(*true.T).max()
            if day - last < 10 or (day - last < quiet and rng.random() > 0.004 * np.exp(worst - 0.5)):
                continue
            last, off = day, rng.normal(0.0, 0.5 * real, 2)
            for at in np.flatnonzero(rng.random(STATIONS) < 0.9).tolist():
                found, was = true[at] + off + rng.normal(0.0, real, 2), float(np.hypot(*true[at]))
                if np.hypot(*found) > 0.75:
                    true[at] = rng.normal(0.0, 0.18, 2)
                left = true[at] + off + rng.normal(0.0, real, 2)
                own[at].looks.append(Look(day, found, was, left, said))
        places += own
    return places


MAKERS: dict[str, Callable[[Rng], list[Place]]] = {"relaxing": by_relaxing, "slipping": by_slipping}
