"""How a station's adjusters stand now: as set up and counted, and as the moves logged since have changed them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from django.db.models import F, QuerySet, Value
from django.db.models.functions import Greatest

from linelog.alignment.models import MoveMade, Visit
from linelog.calc.units import Unit
from linelog.plant.models import Adjuster, ShimThickness
from linelog.web.errors import Refused
from linelog.web.units import show_um

if TYPE_CHECKING:
    from linelog.alignment.services.moves import Done

_SAME_UM = 0.5  # thicknesses nearer than this are one shim
_NOTICED_UM = 0.5
Verb = MoveMade.Verb


def with_present_state(rows: Sequence[Adjuster], *, before: datetime | None = None) -> list[Adjuster]:
    """Return the adjusters as they stand, or stood `before` a time: travel used up, and pieces in each pack."""
    moves = logged_moves().filter(adjuster__in=[row.pk for row in rows])
    return as_moved(rows, moves.filter(at__lt=before) if before is not None else moves)


def logged_moves() -> QuerySet[MoveMade]:
    """Return the moves that count, in the order they were made."""
    return MoveMade.objects.exclude(visit__state=Visit.State.DROPPED).order_by("at", "pk")


def as_moved(rows: Sequence[Adjuster], moves: Iterable[MoveMade]) -> list[Adjuster]:
    """Return the adjusters as they stand after these moves, which come in their order."""
    logged: dict[int, list[MoveMade]] = {}
    for move in moves:
        logged.setdefault(move.adjuster_id or 0, []).append(move)
    for row in rows:
        mine = logged.get(row.pk, [])
        row.moved_um = sum(m.travel_um or 0.0 for m in mine if row.bounds_at is None or m.at > row.bounds_at)
        since = row.pack_counted_at
        row.pieces_now = _pack_after(row.pack_um, [m for m in mine if since is None or m.at > since])
    return list(rows)


def _pack_after(counted: Sequence[float] | None, moves: Iterable[MoveMade]) -> tuple[float, ...] | None:
    """Return the pieces in a pack after moves; None once it can not be told."""
    if counted is None:
        return None
    pack = [float(thickness) for thickness in counted]
    for move in moves:
        known = sum(move.put_in_um) - sum(move.taken_out_um)
        if abs(known - (move.travel_um or 0.0)) > _NOTICED_UM or (move.travel_um is None and move.words):
            return None
        for thickness in move.taken_out_um:
            place = next((n for n, piece in enumerate(pack) if abs(piece - thickness) < _SAME_UM), None)
            if place is None:
                return None
            del pack[place]
        pack += move.put_in_um
    return tuple(sorted(pack, reverse=True))


def done_facts(done: Done, unit: Unit) -> Mapping[str, Any]:
    """Return what is kept of a move beside its words; Refused, in `unit`, for what the adjuster can not do."""
    row, travel = done.adjuster, done.travel_um
    if row is None or travel is None:
        return {}
    (row,) = with_present_state([row])
    low, high = row.travel_left_um
    if not low - _NOTICED_UM <= travel <= high + _NOTICED_UM:
        least, most, this = (show_um(value, unit, signed=True) for value in (low, high, travel))
        raise Refused(
            f"{row} has no such travel left: as it stands it can go from {least} to {most} {unit.word}, "
            f"and this is {this} {unit.word}. Check the number and its unit. If it is right, its travel is set "
            "wrongly: log it in words and have the set-up put right.",
            field="travel",
        )
    put_in, taken_out = done.put_in, done.taken_out
    if row.kind == Adjuster.Kind.SHIM and not (put_in or taken_out):
        put_in, taken_out = _one_piece(row, travel)
    return move_facts(row, travel, put_in, taken_out, done.turns)


def move_facts(
    row: Adjuster, travel: float, put_in: Sequence[float], taken_out: Sequence[float], turns: float | None
) -> dict[str, Any]:
    """Return a move as a code with its figures, as the adjuster is set up today."""
    end = "domer" if travel > 0 else "crank"
    return {
        "verb": _verb(row, travel, put_in, taken_out),
        "put_in_um": list(put_in),
        "taken_out_um": list(taken_out),
        "turns": turns,
        "toward_deg": None if row.along_z else (row.direction_deg + (0.0 if travel > 0 else 180.0)) % 360.0,
        "toward_end": end if row.along_z else "",
    }


def _verb(row: Adjuster, travel: float, put_in: Sequence[float], taken_out: Sequence[float]) -> str:
    if row.kind == Adjuster.Kind.SHIM:
        if put_in and taken_out:
            return Verb.CHANGE
        if put_in or taken_out:
            return Verb.PUT_IN if put_in else Verb.TAKE_OUT
        return Verb.RAISE if travel > 0 else Verb.LOWER
    return Verb.TURN if row.kind == Adjuster.Kind.SCREW else Verb.SET


def _one_piece(row: Adjuster, travel: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return the piece that a typed thickness can only be: one of the stock put in, or one of the pack taken out."""
    if travel > 0 and row.stock:
        sizes = row.stock.thicknesses.values_list("thickness_um", flat=True)
        return next((((size,), ()) for size in sizes if abs(size - travel) < _SAME_UM), ((), ()))
    inside = row.pieces_now or ()
    return next((((), (piece,)) for piece in inside if abs(piece + travel) < _SAME_UM), ((), ()))


def draw_stock(row: Adjuster | None, pieces: Sequence[float], by: int) -> None:
    """Take pieces that were put in out of the counted stock (by -1), or give them back (by +1)."""
    if row is None or row.stock_id is None:
        return
    for thickness in pieces:
        near = (thickness - _SAME_UM, thickness + _SAME_UM)
        rows = ShimThickness.objects.filter(stock_id=row.stock_id, thickness_um__range=near, pieces__isnull=False)
        rows.update(pieces=Greatest(F("pieces") + Value(by), Value(0)))
