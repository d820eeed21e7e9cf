"""What a station's adjusters can do: the stored rows as the sums take them, and a trial move in shop words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from linelog.calc import adjust, frame, moves, shopwords
from linelog.calc.errors import CalcError
from linelog.calc.readings import View
from linelog.calc.units import Unit, show_um
from linelog.plant.models import Adjuster, Station
from linelog.web.units import slope_unit

#: The move tried on the set-up page: a round tenth of a millimetre, or for who reads inches four thousandths.
TRIED_UM = {Unit.MM: 100.0, Unit.UM: 100.0, Unit.INCH: 101.6}
TRIED_MM_PER_M = 0.1
#: An adjuster pushes along an axis where at least this share of its travel goes that way: less than 45 degrees off.
HALF_WAY = 0.7


def adjuster_of(row: Adjuster) -> adjust.Adjuster:
    """Return a stored adjuster as `calc` takes it, as it stands now; CalcError, with the field, if it cannot be."""
    stock = tuple((t.thickness_um, t.pieces) for t in row.stock.thicknesses.all()) if row.stock else ()
    low, high = row.travel_left_um
    return adjust.Adjuster(
        name=row.name,
        kind=adjust.Kind(row.kind),
        z_mm=row.z_mm,
        clock_deg=None if row.along_z else row.direction_deg,
        tilt_at_mm=(row.at_x_mm, row.at_y_mm) if row.along_z else None,
        min_um=low,
        max_um=high,
        stock=stock if row.kind == Adjuster.Kind.SHIM else (),
        pieces_um=row.pieces_now if row.kind == Adjuster.Kind.SHIM else None,
        backlash_turns=row.backlash_turns if row.kind == Adjuster.Kind.SCREW else 0.0,
        pitch_mm=row.pitch_mm if row.kind == Adjuster.Kind.SCREW else None,
        clockwise_moves_positive=row.clockwise_is_positive,
        resolution_um=None if row.kind == Adjuster.Kind.SHIM else row.resolution_um,
    )


def reference_z_mm(station: Station) -> float:
    """Return the z that a station's move is worked out for: the mean of its seats."""
    return sum(station.seat_z_mm(seat) for seat in station.seats) / len(station.seats)


def reach_um(adjusters: Sequence[Adjuster]) -> float:
    """Return how far a station can surely be set, along x and along y alike; 0 where one of them has no adjuster.

    Of the adjusters that push along an axis the one with the least travel decides: with two feet both must go.
    """
    flat = [row for row in adjusters if not row.along_z]
    reaches = []
    for axis in (math.sin, math.cos):
        along = [(abs(axis(math.radians(row.direction_deg))), row) for row in flat]
        travels = [
            share * min(-row.travel_left_um[0], row.travel_left_um[1]) for share, row in along if share > HALF_WAY
        ]
        reaches.append(min(travels, default=0.0))
    return min(reaches)


@dataclass(frozen=True, slots=True)
class Trial:
    """A move tried out on paper: what was asked for, what each adjuster would do, and what would be left."""

    wanted: str
    steps: tuple[str, ...]
    result: str = ""
    notes: tuple[str, ...] = ()
    problem: str = ""


def try_moves(station: Station, adjusters: Sequence[Adjuster], unit: Unit) -> tuple[Trial, ...]:
    """Say what a small move up, to the right and, where tilt has a limit, in slope would ask of the adjusters."""
    if not adjusters:
        return ()
    size, z_mm, view = TRIED_UM[unit], reference_z_mm(station), View(station.view)
    slopes = slope_unit(station.machine.line.plant, unit)
    length = show_um(size, unit, signed=False)
    wanted = [
        (f"{length} up", moves.Misalignment(0.0, -size, z_mm)),
        (
            f"{length} to the right, {frame.view_words(view)}",
            moves.Misalignment(-frame.across(view) * size, 0.0, z_mm),
        ),
    ]
    if station.tilt_limit_mm_per_m:
        tilt = moves.Misalignment(0.0, 0.0, z_mm, 0.0, -TRIED_MM_PER_M)
        wanted.append((f"{slopes.show(TRIED_MM_PER_M, 2)} {slopes.label} up toward the domer", tilt))
    return tuple(_tried(station, adjusters, unit, words, start) for words, start in wanted)


def _tried(
    station: Station, adjusters: Sequence[Adjuster], unit: Unit, wanted: str, start: moves.Misalignment
) -> Trial:
    try:
        rows = [adjuster_of(row) for row in adjusters]
        solution = moves.solve_moves(start, rows, station.limit_um, station.tilt_limit_mm_per_m)
    except CalcError as error:
        return Trial(wanted, (), problem=error.message)
    seen_from, slopes = View(station.view), slope_unit(station.machine.line.plant, unit)
    return Trial(
        wanted,
        tuple(shopwords.move_words(move, unit, seen_from=seen_from) for move in solution.moves if move.travel_um),
        shopwords.result_words(solution, unit, slopes),
        (
            *shopwords.out_of_reach_words(solution, unit, slopes, seen_from=seen_from),
            *shopwords.side_effect_words(solution, unit, slopes),
        ),
    )
