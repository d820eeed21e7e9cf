"""When a chance reaches a risk, for a place and for a machine."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from linelog.calc.arrays import FloatArray, numbers, one_number, same_length
from linelog.calc.wander.knowledge import GRID
from linelog.calc.wander.said import any_out


def chance_at(curve: Sequence[float], strokes_million: FloatArray) -> FloatArray:
    """Chance of a place after strokes, from its values at `GRID`; before it was left it counts as left."""
    return np.asarray(np.interp(np.maximum(strokes_million, 0.0), GRID, curve))


def first_reached(strokes_million: FloatArray, chance: FloatArray, risk: float) -> float | None:
    """First strokes at which a chance reaches a risk between 0 and 1, None where it does not.

    Both shape (k,), the strokes growing; between them the chance runs straight. A chance may fall before it rises,
    where a station creeps through the centre.
    """
    strokes, said = numbers(strokes_million, "Strokes", "strokes"), numbers(chance, "Chances", "chance")
    same_length([strokes, said], "chance")
    wanted = one_number(risk, "The risk", "risk", above=0.0, below=1.0)
    reached = np.flatnonzero(said >= wanted)
    if len(reached) == 0:
        return None
    at = int(reached[0])
    if at == 0:
        return float(strokes[0])
    part = (wanted - said[at - 1]) / (said[at] - said[at - 1])
    return float(strokes[at - 1] + part * (strokes[at] - strokes[at - 1]))


def machine_reaches(
    curves: Sequence[Sequence[float]], done_million: Sequence[float], together: float, risk: float
) -> tuple[float, int] | None:
    """Strokes from now until the chance that any place of a machine is out reaches a risk, and the likeliest place.

    done_million  strokes of each place since it was left. Negative strokes: reached already; None: not in sight.
    """
    if not curves:
        return None
    done = numbers(list(done_million), "Strokes", "done_million")
    grid = np.array(GRID)
    strokes = np.unique(np.concatenate([grid, *(grid[grid < most] - most for most in np.unique(done))]))
    places = np.array([chance_at(curve, most + strokes) for curve, most in zip(curves, done, strict=True)])
    until = first_reached(strokes, any_out(places, together), risk)
    if until is None:
        return None
    then = [float(chance_at(curve, np.array(most + until))) for curve, most in zip(curves, done, strict=True)]
    return until, int(np.argmax(then))
