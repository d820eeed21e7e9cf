"""The moves offered at a station, each with a button that names it, its mark, and what is logged of it."""

from __future__ import annotations

from dataclasses import dataclass

from linelog.alignment.advice import Advice, Line, Target
from linelog.alignment.services.moves import Done, offer_mark
from linelog.calc.verdict import Verdict

ONLY = "Done as offered"
FIRST = "Done: the first move"
NAMED = {
    Target.STATIC_TARGET: "Done: to the static target",
    Target.AGAINST_RUNNING: "Done: the move for the value as measured",
}
#: What the log keeps as typed, so that it says which of two moves was made.
TYPED = {Target.STATIC_TARGET: "as offered, to the static target"}


@dataclass(frozen=True, slots=True)
class Offer:
    """One move offered: the words of its button, its lines, and the mark of what the person saw.

    leads  whether its button is the large one: of two moves never that after which the machine would run out
    """

    button: str
    lines: tuple[Line, ...]
    target: Target | None
    leads: bool = True

    @property
    def seen(self) -> str:
        """The mark by which this move can be logged as made, and no other."""
        return offer_mark((line.adjuster, line.travel_um) for line in self.lines)

    @property
    def told(self) -> str:
        """The button and the whole move in one line."""
        return f"{self.button}: {'; '.join(line.words for line in self.lines)}"

    def done(self) -> list[Done]:
        """Return what is logged when it was made just so."""
        typed = TYPED.get(self.target, "as offered") if self.target else "as offered"
        return [
            Done(
                line.adjuster,
                line.travel_um,
                typed,
                "um",
                line.words[:200],
                line.put_in,
                line.taken_out,
                line.turns,
            )
            for line in self.lines
        ]


def offers_of(advice: Advice) -> tuple[Offer, ...]:
    """Return the moves that are offered, the first one first; of two, each button names its own."""
    moves = advice.offered
    first = FIRST if len(moves) > 1 else ONLY
    leads = next((one for one in moves if one.runs is None or one.runs.verdict is not Verdict.OUT), None)
    leads = leads or next(iter(moves), None)
    return tuple(
        Offer(NAMED.get(one.target, first) if one.target else first, one.lines, one.target, leads=one is leads)
        for one in moves
    )


def offer_seen(advice: Advice, seen: str) -> Offer | None:
    """Return the move offered that has this mark; None where what was seen is offered no more."""
    return next((one for one in offers_of(advice) if one.seen == seen), None)
