"""What was done at an adjuster, as a sentence in the reader's unit and in the view of the person at the station."""

from __future__ import annotations

from collections.abc import Sequence

from linelog.alignment.models import MoveMade
from linelog.calc.frame import clock_words
from linelog.calc.readings import View
from linelog.calc.shopwords import placed_name
from linelog.calc.units import Unit, show_um
from linelog.plant.models import Adjuster

Verb = MoveMade.Verb
QUARTER_FLATS_A_TURN = 24
WITHIN = 0.04  # of a quarter flat: nearer than this the turns alone tell it


def made_words(move: MoveMade, unit: Unit, view: View) -> str:
    """Say what was done: 'Rear foot: took out 0.05 mm: 0.05'; a record from before, in the words it was kept in."""
    if not move.verb or move.adjuster is None or move.travel_um is None:
        return str(move)
    row, said = move.adjuster, _done(move, unit, view)
    return f"{placed_name(str(row), (row.at_x_mm, row.at_y_mm) if row.along_z else None, view)}: {said}"


def _done(move: MoveMade, unit: Unit, view: View) -> str:
    size = show_um(abs(move.travel_um or 0.0), unit, signed=False)
    put_in, taken_out = (_pieces(p, unit) for p in (move.put_in_um, move.taken_out_um))
    if move.verb == Verb.PUT_IN:
        return f"put in {put_in}"
    if move.verb == Verb.TAKE_OUT:
        return f"took out {taken_out}"
    if move.verb == Verb.CHANGE:
        return f"put in {put_in} and took out {taken_out}"
    if move.verb in (Verb.RAISE, Verb.LOWER):
        return f"made its pack {size} {'thicker' if move.verb == Verb.RAISE else 'thinner'}"
    if move.verb == Verb.TURN:
        return _turned(move, size)
    return f"moved {size} {_way(move, view)}"


def _pieces(pieces: Sequence[float], unit: Unit) -> str:
    whole = show_um(sum(pieces), unit, signed=False)
    parts = " + ".join(show_um(piece, unit, signed=False).partition("\u202f")[0] for piece in pieces)
    return f"{whole}: {parts}" if len(pieces) > 1 else whole


def _turned(move: MoveMade, size: str) -> str:
    if move.turns is None:
        return f"turned {_sense_of_travel(move)} until the indicator had moved by {size}"
    sense = "in" if move.turns > 0 else "out"
    exact = abs(move.turns) * QUARTER_FLATS_A_TURN
    quarters = round(exact)
    if not quarters:
        return f"turned less than 1/4 flat {sense}: {size}"
    about = "" if abs(exact - quarters) <= WITHIN else "about "
    turns, flats = divmod(quarters / 4, 6)
    if not turns:
        return f"turned {about}{flats:g} flats {sense}: {size}"
    return f"turned {about}{turns:g} turns and {flats:g} flats {sense}: {size}"


def _sense_of_travel(move: MoveMade) -> str:
    """Return 'in' or 'out' for a screw whose travel was read off an indicator."""
    clockwise = move.adjuster is None or move.adjuster.clockwise_is_positive
    return "in" if ((move.travel_um or 0.0) > 0) == clockwise else "out"


def _way(move: MoveMade, view: View) -> str:
    if move.toward_end:
        return f"toward the {move.toward_end}"
    return f"toward {clock_words(move.toward_deg or 0.0, view)}"


def pack_words(row: Adjuster, unit: Unit) -> str:
    """Say what lies in a pack, as counted and as moves have changed it since."""
    if row.pieces_now is None:
        return "not counted"
    if not row.pieces_now:
        return "empty"
    return " + ".join(show_um(piece, unit, signed=False).partition("\u202f")[0] for piece in row.pieces_now)
