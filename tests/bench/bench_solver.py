"""The move that is offered against every move there is: random stations, all their settings counted out.

    python -m tests.bench.bench_solver [--stations 2400] [--seed 1]

The counting knows nothing of the solver: how a station follows its adjusters is written here from plain geometry
(a line through two feet, a plane through three shims, two pushes that cross), packs are laid out piece by piece, and
the order of merit is that of its definition: everything inside where that can be had, else the worst seat's radial
offset least; a slope counts only where it has a limit. Worse means by more than 0.5 um.
"""

from __future__ import annotations

import argparse
import math
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import product

import numpy as np

from linelog.calc.adjust import Adjuster, Kind
from linelog.calc.moves import Misalignment, MoveSolution, SeatOffset, solve_moves
from linelog.calc.shopwords import out_of_reach_words
from linelog.calc.units import Unit

SAME_UM = 0.5
STOCKS = ((25.0, 60.0), (20.0, 50.0), (30.0, 50.0, 100.0), (50.0, 100.0), (25.4, 50.8, 127.0))
KINDS = ("two feet", "two seats", "one pack", "counted stock", "screws", "oblique", "flange")


@dataclass
class Case:
    """A station, where it lies, and how (x, y, slope x, slope y) at its reference follow the travels: (4, n)."""

    kind: str
    adjusters: list[Adjuster]
    follows: np.ndarray
    lies: Misalignment
    limit: float
    tilt_limit: float | None
    drawers: dict[float, int] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The kind, and whether its tilt is limited."""
        return f"{self.kind}, {'tilt limited' if self.tilt_limit else 'no tilt limit'}"


def line_through(zs: tuple[float, ...], z0: float) -> np.ndarray:
    """What 1 um at each of one or two points along z does to the offset and the slope at z0: (2, n)."""
    if len(zs) == 1:
        return np.array([[1.0], [0.0]])
    front, rear = zs
    share = (z0 - rear) / (front - rear)
    return np.array([[share, 1.0 - share], [1.0 / (front - rear), -1.0 / (front - rear)]])


def crossing(angles: list[float], zs: list[float], z0: float) -> np.ndarray:
    """(4, n) for pairs of pushes that cross: at each z the shift d with push_i . d = travel_i."""
    pushes = np.array([[math.sin(math.radians(a)), math.cos(math.radians(a))] for a in angles])
    back = np.linalg.inv(pushes)  # (x, y) from the two travels
    line = line_through(tuple(zs), z0)
    return np.vstack([np.hstack([back[axis] * share for share in row]) for row in line for axis in (0, 1)])


class Maker:
    """Makes random stations, few enough settings each that all of them can be counted out."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng(seed)

    def pick(self, *choices: object) -> object:
        """One of them."""
        return choices[int(self.rng.integers(len(choices)))]

    def shim(self, name: str, z: float, clock: float, stock: tuple[tuple[float, int | None], ...], **more: object):
        """A shim pack with a short reach, counted or not."""
        low, high = (float(self.pick(60.0, 120.0, 200.0)) for _ in "ab")
        return Adjuster(name, Kind.SHIM, z, clock_deg=clock, stock=stock, min_um=-low, max_um=high, **more)

    def screw(self, name: str, z: float, clock: float) -> Adjuster:
        """A screw with coarse steps."""
        reach = float(self.pick(90.0, 150.0, 200.0))
        step = float(self.pick(17.5, 25.0, 41.7))
        return Adjuster(
            name, Kind.SCREW, z, clock_deg=clock, pitch_mm=1.0, resolution_um=step, min_um=-reach, max_um=reach
        )

    def state(self, z0: float, seats: tuple[float, ...], *, measured: bool) -> Misalignment:
        """Somewhere off; seats lie on the axis."""
        x, y = self.rng.normal(0.0, 70.0, 2).round(1).tolist()
        slope = self.rng.normal(0.0, 0.25, 2).round(3).tolist() if measured else (None, None)
        turn = [s or 0.0 for s in slope]
        there = tuple(SeatOffset(f"s{z:g}", z, x + turn[0] * (z - z0), y + turn[1] * (z - z0)) for z in seats)
        return Misalignment(x, y, z0, *slope, there)

    def make(self, kind: str, limited: bool) -> Case:
        """One station of a kind."""
        rng = self.rng
        z0, (zf, zr) = float(rng.integers(-150, 300)), (100.0, -120.0)
        stock: tuple[tuple[float, int | None], ...] = tuple((t, None) for t in self.pick(*STOCKS))
        drawers: dict[float, int] = {}
        seats: tuple[float, ...] = ()
        measured = limited or bool(rng.integers(2))
        across = np.zeros((4, 0))
        if kind == "one pack":
            adjusters = [self.shim("pack", 0.0, 0.0, stock)]
            follows = np.array([[0.0], [1.0], [0.0], [0.0]])
            if rng.integers(2):
                adjusters.append(self.screw("side", 0.0, 90.0))
                follows = np.array([[0, 1.0], [1.0, 0], [0, 0], [0, 0]])
            return self._case(kind, adjusters, follows, self.state(z0, (), measured=measured), limited)
        if kind == "oblique":
            angles = [float(rng.integers(0, 80)), float(rng.integers(100, 170))]
            zs = [zf, zr] if rng.integers(2) else [0.0]
            adjusters = [self.screw(f"{a:g} at {z:g}", z, a) for z in zs for a in angles]
            return self._case(
                kind, adjusters, crossing(angles, zs, z0), self.state(z0, (), measured=measured), limited
            )
        if kind == "flange":
            points = [(90.0 * math.sin(t), 90.0 * math.cos(t)) for t in np.radians([0, 120, 240])]
            plane = np.linalg.inv([[1.0, -x, -y] for x, y in points])  # dz and the slopes from the three
            arms = [
                Adjuster(f"arm {i}", Kind.SHIM, 0.0, tilt_at_mm=p, stock=stock, min_um=-75.0, max_um=75.0)
                for i, p in enumerate(points)
            ]
            adjusters = [self.screw("up", z0, 0.0), self.screw("side", z0, 90.0), *arms]
            follows = np.zeros((4, 5))
            follows[1, 0] = follows[0, 1] = 1.0
            follows[2:, 2:] = plane[1:]
            return self._case(kind, adjusters, follows, self.state(z0, (), measured=True), limited)
        if kind == "counted stock":
            counts = {t: int(rng.integers(0, 4)) for t, _ in stock}
            stock, drawers = tuple(counts.items()), counts
        if kind == "two seats":
            seats, measured, z0 = (zf - 20.0, zr - 10.0), True, (zf + zr - 30.0) / 2
        inside = {} if kind != "counted stock" else {"pieces_um": tuple(rng.choice([25.0, 50.0, 60.0], 2).tolist())}
        feet = [self.shim(f"foot {z:g}", z, 0.0, stock, **inside) for z in (zf, zr)]
        sides = [self.screw(f"side {z:g}", z, 90.0) for z in ((zf, zr) if kind != "counted stock" else (0.0,))]
        up, across = line_through((zf, zr), z0), line_through(tuple(s.z_mm for s in sides), z0)
        follows = np.zeros((4, 2 + len(sides)))
        follows[[1, 3], :2], follows[[0, 2], 2:] = up, across
        return self._case(kind, [*feet, *sides], follows, self.state(z0, seats, measured=measured), limited, drawers)

    def _case(
        self,
        kind: str,
        adjusters: list[Adjuster],
        follows: np.ndarray,
        lies: Misalignment,
        limited: bool,
        drawers: dict[float, int] | None = None,
    ) -> Case:
        limit = float(self.pick(12.0, 20.0, 38.0))
        return Case(kind, adjusters, follows, lies, limit, self.pick(0.12, 0.2) if limited else None, drawers or {})


def settings_of(adjuster: Adjuster, scarce: list[float]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Every travel of an adjuster within its bounds, its pieces, and those it draws of each scarce thickness."""
    low, high = adjuster.min_um or 0.0, adjuster.max_um or 0.0
    if adjuster.kind is not Kind.SHIM:
        most = int(max(-low, high) / adjuster.step_um) + 1
        travels = np.arange(-most, most + 1) * adjuster.step_um
        travels = travels[(travels >= low - 1e-9) & (travels <= high + 1e-9)]
        return travels, np.zeros(len(travels)), np.zeros((len(travels), len(scarce)), int)
    at_hand = dict(adjuster.stock)
    known = sorted({*at_hand, *(adjuster.pieces_um or ())})
    ranges = []
    for thickness in known:
        pieces = at_hand.get(thickness, 0)
        out = 4 if adjuster.pieces_um is None else adjuster.pieces_um.count(thickness)
        ranges.append(range(-out, (4 if pieces is None else pieces) + 1))
    best: dict[tuple[float, ...], float] = {}
    for counts in product(*ranges):
        travel = round(sum(n * t for n, t in zip(counts, known, strict=True)), 3)
        if low <= travel <= high:
            drawn = tuple(float(max(0, counts[known.index(t)])) for t in scarce)
            best[travel, *drawn] = min(best.get((travel, *drawn), 99.0), float(sum(map(abs, counts))))
    rows = np.array(list(best))
    return rows[:, 0], np.array(list(best.values())), rows[:, 1:].astype(int)


def places(case: Case, travels: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Worst seat's radial offset, and slope where it has a limit, for travels (N, n)."""
    x, y, slope_x, slope_y = case.follows @ travels.T
    lies, z0 = case.lies, case.lies.z_mm
    radial = [
        np.hypot(seat.x_um + x + slope_x * (seat.z_mm - z0), seat.y_um + y + slope_y * (seat.z_mm - z0))
        for seat in lies.judged
    ]
    tilt = np.hypot((lies.slope_x_mm_per_m or 0.0) + slope_x, (lies.slope_y_mm_per_m or 0.0) + slope_y)
    return np.max(radial, axis=0), tilt if case.tilt_limit else np.zeros(len(travels))


def by_counting(case: Case) -> tuple[float, bool, np.ndarray, np.ndarray, np.ndarray]:
    """Least worst offset, whether everything can be inside, and offset, slope and pieces of every setting."""
    scarce = list(case.drawers)
    each = [settings_of(adjuster, scarce) for adjuster in case.adjusters]
    grid = np.indices([len(travels) for travels, _, _ in each]).reshape(len(each), -1)
    travels = np.column_stack([one[0][rung] for one, rung in zip(each, grid, strict=True)])
    pieces = sum(one[1][rung] for one, rung in zip(each, grid, strict=True))
    if scarce:
        drawn = sum(one[2][rung] for one, rung in zip(each, grid, strict=True))
        fits = (drawn <= list(case.drawers.values())).all(axis=1)
        travels, pieces = travels[fits], pieces[fits]
    radial, tilt = places(case, travels)
    inside = (radial <= case.limit) & (tilt <= (case.tilt_limit or 0.0))
    best = radial[inside].min() if inside.any() else radial.min()
    return float(best), bool(inside.any()), radial, tilt, pieces


def faults(case: Case, solution: MoveSolution) -> Iterator[str]:
    """What the counting finds wrong with an answer."""
    travels = np.array([[move.travel_um for move in solution.moves]])
    radial, tilt = (float(value[0]) for value in places(case, travels))
    best, reachable, every_radial, every_tilt, every_pieces = by_counting(case)
    inside = radial <= case.limit + 1e-6 and tilt <= (case.tilt_limit or 0.0) + 1e-6
    if (reachable and not inside) or radial > best + SAME_UM + 1e-6:
        yield "worse"
    if solution.inside and not inside:
        yield "false inside"
    words = " ".join(out_of_reach_words(solution, Unit.MM))
    if "No reachable move" in words and reachable:
        yield "false no reachable move"
    pieces = sum(move.setting.pieces for move in solution.moves)
    if ((every_radial <= radial) & (every_tilt <= tilt) & (every_pieces < pieces)).any():
        yield "needless pieces"
    used = Counter(t for move in solution.moves if move.pack for t in move.pack.put_in)
    if case.drawers and any(number > case.drawers[t] for t, number in used.items()):
        yield "pieces that are not there"
    was = case.lies.slope_mm_per_m
    if case.tilt_limit and was is not None and was <= case.tilt_limit < tilt - 1e-6 and not solution.pushes_tilt_out:
        yield "tilt pushed out in silence"


COLUMNS = (
    "worse",
    "false inside",
    "false no reachable move",
    "needless pieces",
    "pieces that are not there",
    "tilt pushed out in silence",
)


def compare(stations: int, seed: int) -> tuple[dict[str, Counter[str]], list[float]]:
    """Faults by kind of station (with how many there were, and how many could be inside), and the times in s."""
    maker, table, times = Maker(seed), {}, []
    for number in range(stations):
        kind = KINDS[number % len(KINDS)]
        case = maker.make(kind, limited=bool((number // len(KINDS)) % 2))
        started = time.perf_counter()
        solution = solve_moves(case.lies, case.adjusters, case.limit, case.tilt_limit)
        times.append(time.perf_counter() - started)
        row = table.setdefault(case.name, Counter())
        row["stations"] += 1
        row["inside"] += solution.inside
        row.update(faults(case, solution))
    return table, times


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stations", type=int, default=2400)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    table, times = compare(args.stations, args.seed)
    print(f"{'station':34}{'tried':>7}{'inside':>8}" + "".join(f"{name:>28}" for name in COLUMNS))
    for name in sorted(table):
        row = table[name]
        figures = "".join(f"{row[column]:28d}" for column in COLUMNS)
        print(f"{name:34}{row['stations']:7d}{row['inside']:8d}{figures}")
    times.sort()
    p50, p95 = (1e3 * times[len(times) * share // 100] for share in (50, 95))
    print(f"time of an answer: p50 {p50:.1f} ms, p95 {p95:.1f} ms")


if __name__ == "__main__":
    main()
