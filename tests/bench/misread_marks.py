"""Invented plants whose cans are found and whose marks are misread: two makers that share nothing but what they give.

`worn_dots` stamps each mark as dots of a 5 x 7 grid, wears some of them off, and has a reader who takes the letter
that fits the dots left best, or leaves out one of which too little is seen. `hurried_hands` has people who copy a
mark wrongly by a list of habits of its own, forget a letter, take the day from a blurred code. Who made a bad can
follows from rates that differ widely between machines, come in bouts, and from what each made that day. All is
invented; the share of marks misread (about a sixth) is that of which plants complain. Nothing here reads the
program's own list.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Rng = np.random.Generator
FIRST = dt.date(2025, 1, 6)
LINES, ON_A_LINE, CODES, DAYS = 3, 8, 6, 365
#: Dots of the rows of a 5 x 7 grid, top to bottom, as bits; the usual shapes, from memory.
DOTS = {
    "0": (14, 17, 19, 21, 25, 17, 14), "1": (4, 12, 4, 4, 4, 4, 14), "2": (14, 17, 1, 2, 4, 8, 31),
    "3": (31, 2, 4, 2, 1, 17, 14), "4": (2, 6, 10, 18, 31, 2, 2), "5": (31, 16, 30, 1, 1, 17, 14),
    "6": (6, 8, 16, 30, 17, 17, 14), "7": (31, 1, 2, 4, 8, 8, 8), "8": (14, 17, 17, 14, 17, 17, 14),
    "9": (14, 17, 17, 15, 1, 2, 12), "A": (14, 17, 17, 31, 17, 17, 17), "B": (30, 17, 17, 30, 17, 17, 30),
    "C": (14, 17, 16, 16, 16, 17, 14), "D": (30, 17, 17, 17, 17, 17, 30), "E": (31, 16, 16, 30, 16, 16, 31),
    "F": (31, 16, 16, 30, 16, 16, 16), "G": (14, 17, 16, 23, 17, 17, 15), "H": (17, 17, 17, 31, 17, 17, 17),
    "K": (17, 18, 20, 24, 20, 18, 17), "L": (16, 16, 16, 16, 16, 16, 31), "M": (17, 27, 21, 21, 17, 17, 17),
    "N": (17, 25, 21, 19, 17, 17, 17), "P": (30, 17, 17, 30, 16, 16, 16), "R": (30, 17, 17, 30, 20, 18, 17),
    "S": (15, 16, 16, 14, 1, 1, 30), "T": (31, 4, 4, 4, 4, 4, 4), "U": (17, 17, 17, 17, 17, 17, 14),
    "V": (17, 17, 17, 17, 17, 10, 4), "X": (17, 17, 10, 4, 10, 17, 17), "Y": (17, 17, 10, 4, 4, 4, 4),
    "Z": (31, 1, 2, 4, 8, 16, 31),
}  # fmt: skip
SHAPES = {letter: np.array([[row >> bit & 1 for bit in range(4, -1, -1)] for row in rows], dtype=bool)
          for letter, rows in DOTS.items()}  # fmt: skip
#: What a hurried hand writes for what it sees; odd habits beside common ones.
HABITS = {
    "0": "O68", "1": "74I", "2": "Z7", "3": "8", "4": "9A", "5": "S6", "6": "80G", "7": "1", "8": "36B", "9": "40",
    "A": "4", "B": "8", "C": "G", "D": "0O", "E": "FB", "K": "X", "M": "N", "P": "R", "R": "P", "S": "5", "T": "7",
    "H": "N", "F": "P", "L": "1", "G": "6",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Fit:
    """A mark on a machine from a day to a day; the last is None while it is in use."""

    mark: str
    machine: int
    starts: dt.date
    ends: dt.date | None


@dataclass(frozen=True, slots=True)
class Found:
    """A found can: who made it and when, the mark as it stands and as typed, and the day as typed."""

    machine: int
    code: int
    made: dt.date
    mark: str
    typed: str
    day: dt.date


@dataclass(frozen=True, slots=True)
class Plant:
    """Its marks, the cans of each machine by day, and what was found, in the order of days."""

    fits: tuple[Fit, ...]
    cans: NDArray[np.int64]
    found: tuple[Found, ...]


def worn_dots(rng: Rng, found: int) -> Plant:
    """A plant whose marks are numbers of two digits from a drawer of domers, and wear."""
    marks = [str(number) for number in rng.choice(np.arange(10, 100), LINES * ON_A_LINE, replace=False)]
    return _plant(rng, found, marks, _read_worn, 0.0)


def hurried_hands(rng: Rng, found: int) -> Plant:
    """A plant whose marks are a letter of the line and a number, and whose codes are blurred now and then."""
    marks = [f"{'BEK'[line]}{number + 1}" for line in range(LINES) for number in range(ON_A_LINE)]
    return _plant(rng, found, marks, _copied, 0.01)


MAKERS: dict[str, Callable[[Rng, int], Plant]] = {"worn dots": worn_dots, "hurried hands": hurried_hands}


def _plant(rng: Rng, found: int, marks: list[str], read: Callable[[Rng, str], str], wrong_day: float) -> Plant:
    machines = len(marks)
    fits = _fits(rng, marks)
    cans = rng.integers(250_000, 450_000, (machines, DAYS))
    for machine in range(machines):  # each stands for some stretches of days
        for begins in rng.integers(0, DAYS, 6):
            cans[machine, begins : begins + int(rng.geometric(0.25))] = 0
    rate = rng.gamma(0.8, 1.0, (CODES, machines, 1)) * np.ones(DAYS)
    for code in range(CODES):  # a bout of a defect on one machine
        for _ in range(12):
            machine, begins = int(rng.integers(machines)), int(rng.integers(DAYS))
            rate[code, machine, begins : begins + int(rng.integers(5, 40))] += rng.gamma(2.0, 3.0)
    share = (rate * cans[None]).ravel()
    drawn = np.sort(rng.choice(share.size, found, p=share / share.sum()))
    places = np.column_stack(np.unravel_index(drawn, rate.shape))
    each = [_found(rng, fits, *map(int, place), read, wrong_day) for place in places]
    kept = [one for one in each if one is not None]
    return Plant(tuple(fits), cans, tuple(sorted(kept, key=lambda one: one.made)))


def _fits(rng: Rng, marks: list[str]) -> list[Fit]:
    """Give every machine its mark; some swap their domers with another machine on a day of the year."""
    fits = [Fit(mark, machine, FIRST - dt.timedelta(days=200), None) for machine, mark in enumerate(marks)]
    for one, other in rng.permutation(len(marks))[:8].reshape(-1, 2):
        last = FIRST + dt.timedelta(days=int(rng.integers(60, DAYS - 60)))
        before = [
            next(fit for fit in fits if fit.machine == machine and fit.ends is None) for machine in (one, other)
        ]
        for fit, machine in zip(before, (other, one), strict=True):
            fits[fits.index(fit)] = Fit(fit.mark, fit.machine, fit.starts, last)
            fits.append(Fit(fit.mark, int(machine), last + dt.timedelta(days=1), None))
    return fits


def _found(
    rng: Rng,
    fits: list[Fit],
    code: int,
    machine: int,
    day: int,
    read: Callable[[Rng, str], str],
    wrong_day: float,
) -> Found | None:
    made = FIRST + dt.timedelta(days=day)
    on = [
        fit
        for fit in fits
        if fit.machine == machine and fit.starts <= made and (fit.ends is None or made <= fit.ends)
    ]
    typed = read(rng, on[-1].mark)
    off = int(rng.integers(1, 4)) * int(rng.choice([-1, 1])) if rng.random() < wrong_day else 0
    return Found(machine, code, made, on[-1].mark, typed, made + dt.timedelta(days=off)) if typed else None


def _read_worn(rng: Rng, mark: str) -> str:
    """Read a mark off a dome: most are clear, of the others a patch is worn or dented."""
    if rng.random() > 0.9:
        return mark
    letters = [_letter(rng, letter) for letter in mark]
    return "".join(letters)


def _letter(rng: Rng, letter: str) -> str:
    shape = SHAPES[letter]
    seen = np.ones_like(shape)
    row, column = rng.integers(-1, 7), rng.integers(-1, 5)
    height, width = rng.integers(2, 6), rng.integers(2, 5)
    seen[max(row, 0) : max(row + height, 0), max(column, 0) : max(column + width, 0)] = False
    left = shape & seen & (rng.random(shape.shape) > 0.2)
    if left.sum() < 5:
        return "?" if rng.random() < 0.5 else ""  # seen as unread, or not seen to be there at all
    digits = "0123456789" if letter.isdigit() and rng.random() < 0.8 else "".join(SHAPES)
    misses = {one: int((left ^ SHAPES[one]).sum()) for one in digits}
    best = min(misses.values())
    return str(rng.choice([one for one, miss in misses.items() if miss == best]))


def _copied(rng: Rng, mark: str) -> str:
    """Copy a mark as a hurried hand does."""
    luck, at = rng.random(), int(rng.integers(len(mark)))
    if luck < 0.13:
        return mark[:at] + str(rng.choice(list(HABITS.get(mark[at], "8")))) + mark[at + 1 :]
    if luck < 0.15:
        return mark[:at] + mark[at + 1 :]
    if luck < 0.16:
        return mark[::-1]
    return f"{mark[:at]}?{mark[at + 1 :]}" if luck < 0.19 else mark
