"""The answer to a question, worked out from the pieces, as it is stored and as pages read it back."""

from __future__ import annotations

import datetime as dt
from dataclasses import asdict, dataclass, field
from typing import Any

from linelog.calc.errors import CalcError
from linelog.calc.misalignment import Against, Misalignment, Point, against_expected, hold_against
from linelog.trends.evidence import say
from linelog.trends.evidence.scope import Scope
from linelog.trends.evidence.table import Asked, Table, ask

MONTH = 30.44
DIGITS = 6


@dataclass(frozen=True, slots=True)
class Monthly:
    """Counts a month that would not have come within limits, with the interval."""

    count: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Answer:
    """A result in plain numbers; `effect` is None where there is not enough data, and `sentence` then says why.

    effect    {"ratio", "low", "high", "base", "centre", "p"}: see calc.misalignment.Misalignment
    rests_on  {"cans", "counts", "stretches", "machines", "days", "unmeasured", "empty", "odd", "out"}
    """

    sentence: str
    rests_on: dict[str, int] = field(default_factory=dict)
    effect: dict[str, float] | None = None
    family: str = ""
    alpha: float | None = None
    points: tuple[Point, ...] = ()
    monthly: Monthly | None = None
    factors: dict[int, float] = field(default_factory=dict)
    tooling: tuple[Against, ...] = ()

    def stored(self) -> dict[str, Any]:
        """Return it as JSON holds it."""
        return asdict(self)

    @classmethod
    def of(cls, kept: dict[str, Any]) -> Answer:
        """Read it back."""
        return cls(
            **{
                **kept,
                "points": tuple(Point(**one) for one in kept["points"]),
                "monthly": Monthly(**kept["monthly"]) if kept["monthly"] else None,
                "factors": {int(period): factor for period, factor in kept["factors"].items()},
                "tooling": tuple(Against(**one) for one in kept["tooling"]),
            }
        )


def answer(table: Table, scope: Scope, until: dt.date, factors: dict[int, float] | None = None) -> Answer:
    """Work out the answer to a question; where there is not enough data, say why."""
    asked = ask(table, scope, until, factors)
    try:
        found = hold_against(asked.rows)
    except CalcError as refused:
        return Answer(say.not_enough(scope, asked, refused.message), _rests_on(asked))
    if found.too_wide:
        return Answer(say.too_wide(found), _rests_on(asked))
    return _answer(scope, asked, found)


def _answer(scope: Scope, asked: Asked, found: Misalignment) -> Answer:
    effect = found.fit.effects[0]
    months = asked.days / MONTH
    return Answer(
        sentence=say.effect(scope, found),
        rests_on=_rests_on(asked) | {"machines": found.machines, "out": found.worth.cans_out},
        effect={
            "ratio": found.ratio,
            "low": found.low,
            "high": found.high,
            "base": found.base,
            "centre": found.centre,
            "p": effect.p,
        },
        family=found.fit.family.value,
        alpha=found.fit.alpha,
        points=found.points,
        monthly=Monthly(found.worth.count / months, found.worth.low / months, found.worth.high / months),
        factors=found.factors,
        tooling=against_expected(asked.rows, found.expected, asked.pieces.tooling.tolist(), found.fit.alpha),
    )


def _rests_on(asked: Asked) -> dict[str, int]:
    rows = asked.rows
    return {
        "cans": int(rows.cans.sum()),
        "counts": int(rows.counts.sum()),
        "stretches": len(rows.counts),
        "machines": len(set(rows.machine.tolist())),
        "days": asked.days,
        "unmeasured": asked.unmeasured,
        "empty": asked.empty,
        "odd": asked.odd,
        "out": int(rows.cans[rows.severity > 1.0].sum()),
    }
