"""Invented plants that are worked in for a year: what a crew does changes what the machines do next.

A plant's luck (walk, creep, jams, wear of bushings, lots of metal, counts, errors of the dial and of the mechanic) is
drawn before anybody acts, so that every way to choose machines meets the same year. What wears and wanders runs on by
itself; a correction moves the origin that it is counted from. Every station is asked only by what its sweep shows.

`walks`: stations walk and creep, jams kick them. `sinks`: jams do most of it, and bushings wear, which lets all
stations run low together. `slips`: stations slip by steps of gamma sizes along their own direction, come back a
little after they were moved, and move with the season's heat. Visits before the year are by the calendar, some called
by tear-offs.
All figures are invented. Lengths in micrometres, time in days, strokes in millions.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Rng = np.random.Generator

KINDS = ("rear bushing", "front bushing", "redraw sleeve", "cup locator", "tool pack", "stripper", "domer")
BUSHINGS = (0, 1)
LIMITS = np.array([40.0, 40.0, 38.0, 100.0, 20.0, 100.0, 38.0])  # of a bushing: its clearance on the diameter
SWEEP_HOURS = np.array([0.25, 0.25, 0.2, 0.1, 0.3, 0.1, 0.25])
OPEN_HOURS = np.array([4.0, 4.0, 1.0, 0.5, 1.5, 0.5, 1.25])
READY_HOURS = 0.75  # lockout, closing up, return to service
HIGH = np.array([0.0, 0.0, 0.6, 0.7, 0.9, 1.1, 1.3])  # how much higher a station seems for what the ram sinks
LINES, PER_LINE, WEEK, YEAR = 4, 6, 7, 52
MACHINES, PLACES = LINES * PER_LINE, len(KINDS)
BEFORE = 104  # weeks of the log before the year
DAYS = (BEFORE + YEAR) * WEEK
STARTING = 6.0  # tear-offs more after a place was opened
NEW_CLEARANCE = 12.0


@dataclass(frozen=True)
class World:
    """A kind of plant: how its stations go, and the ratio of tear-offs for one limit of offset, place by place."""

    name: str
    goes: Callable[[Rng, Luck], None]
    ratios: tuple[float, ...]
    worst: bool = False  # the worst place alone counts, by the first ratio

    def plant(self, seed: int) -> Plant:
        """Make one, with two years behind it."""
        plant = Plant(self, Luck.drawn(np.random.default_rng(seed), self))
        habit = np.random.default_rng(seed + 1)
        due = habit.integers(0, 11, MACHINES)
        for week in range(BEFORE):
            called = _called(plant) & (habit.random(MACHINES) < 0.3)
            for machine in np.flatnonzero((due <= week) | called):
                plant.visit(int(machine))
                due[machine] = week + habit.integers(8, 14)
            plant.run()
        plant.begin()
        return plant


@dataclass
class Luck:
    """All that chance does to a plant, whoever acts: by machine, place and day."""

    strokes: Floats  # (m, d)
    rate: Floats  # (m, d) tear-offs per million without misalignment
    lucky: Floats  # (m, d) gamma with mean 1
    drawn_at: Floats  # (m, d) uniform
    misread: Floats  # (m, p, weeks, 2) of a reading as found
    left: Floats  # (m, p, weeks, 2) of a reading as left
    jams: NDArray[np.int64]  # (m, d)
    written: NDArray[np.int64]  # (m, d) those that were logged
    said: float  # standard error of one axis of a sweep, as the record tells it
    path: Floats = field(init=False)  # (m, p, d + 1, 2) where a place would be that nobody touches
    worn: Floats = field(init=False)  # (m, 2, d + 1) clearance that nobody renews
    springs: float = 0.0  # share of a move that comes back

    def __post_init__(self) -> None:
        self.run = np.cumsum(self.strokes, axis=1)

    @classmethod
    def drawn(cls, rng: Rng, world: World) -> Luck:
        """Draw it."""
        m, weeks = MACHINES, BEFORE + YEAR
        strokes = 0.4 * rng.uniform(0.6, 1.1, (m, 1)) * rng.uniform(0.7, 1.1, (m, DAYS))
        season = 1.0 + 0.15 * np.sin(2 * np.pi * (np.arange(DAYS) / 365.0 + rng.random()))
        lots = np.repeat(np.exp(rng.normal(0.0, 0.2, (LINES, weeks))), WEEK, axis=1)[np.arange(m) // PER_LINE]
        age = (np.cumsum(strokes, axis=1) + rng.uniform(0, 30, (m, 1))) % rng.uniform(20, 35, (m, 1))
        own = np.exp(rng.normal(np.log(rng.uniform(18, 30)), 0.3, (m, 1)))
        said = rng.uniform(1.5, 4.0)
        true = said * rng.uniform(1.0, 2.0)
        mount = rng.normal(0.0, 0.5 * true, (m, 1, weeks, 2))
        jams = rng.poisson(rng.gamma(3.0, (0.06 if world.goes is sinks else 0.025) / 3.0, (m, 1)) * strokes)
        shape = rng.uniform(4.0, 15.0)
        luck = cls(
            strokes,
            own * season * lots * (1.0 + 0.012 * age),
            rng.gamma(shape, 1 / shape, (m, DAYS)),
            rng.random((m, DAYS)),
            mount + rng.normal(0.0, true, (m, PLACES, weeks, 2)),
            mount + rng.normal(0.0, true, (m, PLACES, weeks, 2)),
            jams,
            rng.binomial(jams, 0.7),
            said,
        )
        wear = 0.35 if world.goes is sinks else 0.12
        wear = wear * np.exp(rng.normal(0.0, 0.6, (m, 2, 1))) * strokes[:, None] * rng.gamma(2.0, 0.5, (m, 2, DAYS))
        luck.worn = _summed(wear) + rng.uniform(NEW_CLEARANCE, 30.0, (m, 2, 1))
        world.goes(rng, luck)
        return luck


def _summed(steps: Floats) -> Floats:
    """Sum along days, nothing first."""
    total = np.cumsum(steps, axis=2)
    return np.concatenate([np.zeros_like(total[:, :, :1]), total], axis=2)


def _kicked(rng: Rng, luck: Luck, size: float) -> Floats:
    """Steps (m, p, d, 2) of the places that a jam moves, in shares of their limit."""
    hit = rng.random((MACHINES, PLACES, DAYS)) < 0.5
    kick = rng.normal(0.0, size, (MACHINES, PLACES, DAYS, 2))
    return kick * np.sqrt(luck.jams)[:, None, :, None] * hit[..., None]


def walks(rng: Rng, luck: Luck) -> None:
    """Walk and creep; jams kick."""
    _walk(rng, luck, 0.085, 0.010, 0.35)


def sinks(rng: Rng, luck: Luck) -> None:
    """Stand nearly still but for jams, and for bushings that wear."""
    _walk(rng, luck, 0.02, 0.003, 0.7)


def _walk(rng: Rng, luck: Luck, walk: float, creep: float, kick: float) -> None:
    """Set the path of every place by shares of its limit."""
    of_kind = np.exp(rng.normal(0.0, 0.4, (1, PLACES, 1, 1)))
    of_place = np.exp(rng.normal(0.0, 0.4, (MACHINES, PLACES, 1, 1)))
    s = luck.strokes[:, None, :, None]
    steps = walk * of_kind * of_place * np.sqrt(s) * rng.standard_normal((MACHINES, PLACES, DAYS, 2))
    steps += creep * rng.standard_normal((MACHINES, PLACES, 1, 2)) * s + _kicked(rng, luck, kick)
    luck.path = _summed(steps) * LIMITS[:, None, None]


def slips(rng: Rng, luck: Luck) -> None:
    """Slip by gamma steps each along its own direction, settle after a move, lean with the season's heat."""
    per_million = np.exp(rng.normal(np.log(0.06), 0.5, (1, PLACES, 1)) + rng.normal(0.0, 0.5, (MACHINES, PLACES, 1)))
    number = rng.poisson(per_million * luck.strokes[:, None])
    size = np.where(number > 0, rng.gamma(np.maximum(number, 1) * 1.2, 0.3), 0.0)
    toward = rng.uniform(0.0, 2 * np.pi, (MACHINES, PLACES, 1)) + rng.normal(0.0, 0.7, number.shape)
    steps = size[..., None] * np.stack([np.sin(toward), np.cos(toward)], axis=-1) + _kicked(rng, luck, 0.4)
    heat = 0.2 * np.sin(2 * np.pi * np.arange(DAYS + 1) / 365.0)[None, None, :, None]
    lean = rng.standard_normal((MACHINES, PLACES, 1, 2)) * heat
    luck.path = (_summed(steps) + lean) * LIMITS[:, None, None]
    luck.springs = rng.uniform(0.1, 0.3)


@dataclass
class Seen:
    """One sweep of a place as the record holds it. A bushing's clearance stands in the first column."""

    day: int
    found: Floats
    left: Floats | None  # None where it was left as found


@dataclass
class Plant:
    """A plant at work. Nobody who chooses may read `luck`, `origin` or `fitted`."""

    world: World
    luck: Luck
    day: int = 0
    loss: float = 0.0  # tear-offs to be expected, since `begin`
    hours: float = 0.0
    visits: int = 0
    opened: int = 0
    origin: Floats = field(default_factory=lambda: np.zeros((MACHINES, PLACES, 2)))
    fitted: Floats = field(default_factory=lambda: np.zeros((MACHINES, 2)))
    spring: Floats = field(default_factory=lambda: np.zeros((MACHINES, PLACES, 2)))
    moved_on: Floats = field(default_factory=lambda: np.full((MACHINES, PLACES), -1e9))
    counts: NDArray[np.int64] = field(default_factory=lambda: np.zeros((MACHINES, DAYS), np.int64))
    log: list[list[list[Seen]]] = field(default_factory=lambda: [[[] for _ in KINDS] for _ in range(MACHINES)])
    starting: Floats = field(default_factory=lambda: np.zeros(MACHINES))

    def begin(self) -> None:
        """Begin the year that is counted."""
        self.loss, self.hours, self.visits, self.opened = 0.0, 0.0, 0, 0

    def clearance(self, days: slice) -> Floats:
        """True clearances (m, 2, d)."""
        return self.luck.worn[:, :, days] - self.fitted[:, :, None]

    def offsets(self, days: slice) -> Floats:
        """True offsets (m, p, d, 2); a bushing's clearance in its first column."""
        now = self.luck.path[:, :, days] - self.origin[:, :, None]
        since = self.luck.run[:, days][:, None] - self.moved_on[:, :, None]
        now = now + self.spring[:, :, None] * (1.0 - np.exp(-np.maximum(since, 0.0) / 3.0))[..., None]
        clearance = self.clearance(days)
        now[..., 1] += HIGH[:, None] * (0.5 * clearance[:, 1] + 0.25 * clearance[:, 0])[:, None]
        now[:, : len(BUSHINGS), :, 0], now[:, : len(BUSHINGS), :, 1] = clearance, 0.0
        return now

    def severity(self, days: slice) -> Floats:
        """True offsets in shares of their limits (m, p, d)."""
        there = self.offsets(days)
        return np.asarray(np.hypot(there[..., 0], there[..., 1]) / LIMITS[:, None])

    def factor(self, severity: Floats) -> Floats:
        """What misalignment multiplies the rate by, places along axis 1."""
        if self.world.worst:
            return np.asarray(self.world.ratios[0] ** severity.max(axis=1))
        return np.asarray(np.exp(np.einsum("mp...,p->m...", severity, np.log(self.world.ratios))))

    def run(self) -> None:
        """Let a week pass."""
        days = slice(self.day, self.day + WEEK)
        luck = self.luck
        expected = luck.rate[:, days] * luck.strokes[:, days] * self.factor(self.severity(days))
        expected[:, 0] += self.starting
        self.starting[:] = 0.0
        self.loss += float(expected.sum())
        self.counts[:, days] = stats.poisson.ppf(luck.drawn_at[:, days], expected * luck.lucky[:, days])
        self.day += WEEK

    def visit(self, machine: int, room: float = np.inf, beyond: Floats | None = None) -> float:
        """Sweep a machine's places, open those found out while hours last; return the hours.

        Bushings come first, since a new one lifts all stations.
        beyond  limits found beyond which each place is opened, where that is not 1; shape (p,)
        """
        hours = READY_HOURS
        for place in range(PLACES):
            hours += SWEEP_HOURS[place]
            found = self._read(machine, place, self.luck.misread)
            out = float(np.hypot(*found)) > LIMITS[place] * (1.0 if beyond is None else beyond[place])
            seen = Seen(self.day, found, None)
            if out and hours + OPEN_HOURS[place] <= room:
                hours += OPEN_HOURS[place]
                self._put_right(machine, place, found)
                seen.left = self._read(machine, place, self.luck.left)
            self.log[machine][place].append(seen)
        self.hours += hours
        self.visits += 1
        return hours

    def _read(self, machine: int, place: int, wrong: Floats) -> Floats:
        true = self.offsets(slice(self.day, self.day + 1))[machine, place, 0]
        error = wrong[machine, place, self.day // WEEK]
        if place in BUSHINGS:
            return np.array([abs(true[0] + error[0]), 0.0])
        return np.asarray(true + error)

    def _put_right(self, machine: int, place: int, found: Floats) -> None:
        """Renew a bushing, or move a station by what was found."""
        self.opened += 1
        self.starting[machine] += STARTING
        if place in BUSHINGS:
            self.fitted[machine, place] = self.luck.worn[machine, place, self.day] - NEW_CLEARANCE
            return
        before = self.offsets(slice(self.day, self.day + 1))[machine, place, 0]
        self.spring[machine, place] = self.luck.springs * found
        self.moved_on[machine, place] = self.luck.run[machine, self.day]
        after = self.offsets(slice(self.day, self.day + 1))[machine, place, 0]
        self.origin[machine, place] += found + after - before


def _called(plant: Plant) -> Bools:
    """Whether a machine tore in the last two weeks far more than in the eight before."""
    if plant.day < 70:
        return np.zeros(MACHINES, dtype=bool)
    made = plant.counts / plant.luck.strokes
    now = made[:, plant.day - 14 : plant.day].mean(axis=1)
    return np.asarray(now > 1.5 * made[:, plant.day - 70 : plant.day - 14].mean(axis=1))


ALL, TWO, JUMPY, NONE = (
    World("all stations, ratio 1.3", walks, (1.3,) * PLACES),
    World("tool pack and domer, ratio 1.6", walks, (1.0, 1.0, 1.0, 1.0, 1.6, 1.0, 1.6)),
    World("jams and worn bushings, worst counts, ratio 1.6", sinks, (1.6,), worst=True),
    World("no effect", walks, (1.0,) * PLACES),
)
APART = World("apart: slips, redraw sleeve, tool pack and domer", slips, (1.0, 1.0, 1.3, 1.0, 1.5, 1.0, 1.3))
