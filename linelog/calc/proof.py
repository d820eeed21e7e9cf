"""How many more sweeps would prove a station in or out, if its offset stays what it is; or that none will.

Only the scatter of the readings falls with repeats. The dial's step, the sag, the centring and a closure stay.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from linelog.calc.dial import RESOLUTION
from linelog.calc.uncertainty import Part, Planar, planar
from linelog.calc.verdict import Verdict, judge

_ENDLESS = 100_000


@dataclass(frozen=True, slots=True)
class SweepsToProve:
    """What more sweeps like those made would prove of one value.

    more     further sweeps needed, 1 or more; None where not even endless ones prove it
    verdict  what they would prove; None where none will
    expanded U that stays however often it is swept, in the unit of the value
    """

    more: int | None
    verdict: Verdict | None
    expanded: float


def sweeps_to_prove(
    value: Planar, limit: float, positions: int, *, doubt: float = 0.0, most: int = 99
) -> SweepsToProve:
    """Return how many more sweeps of so many `positions` prove a value in or out of its limit, at today's size.

    `doubt` is what is added to U in judging it, as for a dial that is too coarse. Beyond `most` more it is None too.
    Raises `CalcError` for a limit that is not above zero.
    """

    def verdict_after(more: int) -> tuple[Verdict, float]:
        expanded = planar(value.x, value.y, _after(value.budget, more, positions)).radial.U
        return judge(value.size, expanded + doubt, limit).verdict, expanded

    at_last, stays = verdict_after(_ENDLESS)
    if at_last is Verdict.NOT_PROVEN:
        return SweepsToProve(None, None, stays)
    low, high = 1, most
    if verdict_after(high)[0] is Verdict.NOT_PROVEN:
        return SweepsToProve(None, None, stays)
    while low < high:  # U falls with every sweep
        middle = (low + high) // 2
        low, high = (low, middle) if verdict_after(middle)[0] is not Verdict.NOT_PROVEN else (middle + 1, high)
    return SweepsToProve(low, verdict_after(low)[0], stays)


def at_more_positions(value: Planar, positions: int, wanted: int) -> Planar:
    """Return what a value's uncertainty would be, swept once at `wanted` positions and not at so many `positions`.

    Scatter and steps of the dial average over more of them, and a closure is told from an oval bore (eight do).
    """
    budget = []
    for part in value.budget:
        of_readings = part.repeats is not None or part.name.endswith(RESOLUTION)
        share = (part.repeats or 1) * positions / wanted if of_readings else 1.0
        repeats = None if part.repeats is None else 1
        budget.append(replace(part.scaled(math.sqrt(share)), linear=0.0, repeats=repeats))
    return planar(value.x, value.y, budget)


def _after(budget: Sequence[Part], more: int, positions: int) -> list[Part]:
    """Return the budget after so many more sweeps: each brings positions - 1 degrees of freedom to its scatter."""
    after = []
    for part in budget:
        if part.repeats is None:
            after.append(part)
            continue
        share = part.repeats / (part.repeats + more)
        dof = None if part.dof is None else part.dof + more * (positions - 1)
        averaged = part.scaled(math.sqrt(share))
        after.append(replace(averaged, dof=dof, repeats=part.repeats + more))
    return after
