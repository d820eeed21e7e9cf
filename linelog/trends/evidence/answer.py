"""The answer to a question, worked out from the pieces, as it is stored and as pages read it back."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np

from linelog.calc.arrays import BoolArray, IntArray
from linelog.calc.calibrated import CALLED, Corrected, Effects, by_visit, effects, follow_rates, with_visit
from linelog.calc.clustered import Counted
from linelog.calc.errors import CalcError
from linelog.calc.misalignment import WIDEST, Misalignment, Point, cells, drawn, hold_against
from linelog.calc.sets import Against, against_others
from linelog.trends.evidence import say
from linelog.trends.evidence.leading import ALGORITHM
from linelog.trends.evidence.looked import Looked
from linelog.trends.evidence.scope import Scope
from linelog.trends.evidence.table import Asked, Table, ask

MONTH = 30.44
CLEAR = 0.01  # chance of a rise that is told apart from what visits bring, where this leaves nothing of it
FEWEST_CLUSTERS = 4  # machines; with fewer each stretch between two visits counts as one


@dataclass(frozen=True, slots=True)
class Monthly:
    """Counts a month that would not have come within limits, with the interval."""

    count: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Answer:
    """A result in plain numbers; `effect` is None where none can be told, and `sentence` then says why.

    effect    {"ratio", "low", "high", "base", "centre", "p", "z", "error", "by_error", "clusters", "shown"}: for one
              limit of the offset, the error of measurement taken out (calc.calibrated.Corrected); shown: under
              false-discovery control over the page
    plain     {"ratio", "low", "high"}: of the severity as carried, error and all (calc.misalignment)
    set_power  share of tooling sets half as bad again as the others that would be shown (calc.sets.power)
    rests_on  {"cans", "counts", "stretches", "machines", "days", "unmeasured", "empty", "odd", "out", "unfound"}
    """

    sentence: str
    rests_on: dict[str, int] = field(default_factory=dict)
    effect: dict[str, float] | None = None
    plain: dict[str, float] | None = None
    points: tuple[Point, ...] = ()
    monthly: Monthly | None = None
    factors: dict[int, float] = field(default_factory=dict)
    tooling: tuple[Against, ...] = ()
    set_power: float | None = None
    algorithm: int = ALGORITHM

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

    @property
    def shown(self) -> bool:
        """Whether an effect is shown, chance over the whole page allowed for."""
        return bool(self.effect and self.effect["shown"])


def answer(
    table: Table, scope: Scope, until: dt.date, looked: Looked | None, factors: dict[int, float] | None = None
) -> Answer:
    """Work out the answer to a question; where there is none, say why.

    looked  where the stations stood in the rows of the table
    """
    asked = ask(table, scope, until, factors)
    try:
        plain = hold_against(asked.rows)
    except CalcError as refused:
        return Answer(say.not_enough(scope, asked, refused.message), _rests_on(asked))
    rough = Answer(
        "",
        _rests_on(asked) | {"machines": plain.machines},
        plain={"ratio": plain.ratio, "low": plain.low, "high": plain.high},
        factors=plain.factors,
    )
    try:
        return _corrected(rough, scope, asked, plain, looked)
    except CalcError as refused:
        return replace(rough, sentence=say.not_corrected(refused.message))


def _corrected(rough: Answer, scope: Scope, asked: Asked, plain: Misalignment, looked: Looked | None) -> Answer:
    columns = looked.columns(scope.station) if looked else None
    if looked is None or columns is None:
        return replace(rough, sentence=say.NOT_FOUND_AGAIN)
    given = looked.severities.pick(columns, asked.at)
    if len(columns) > 1 and not given.known.any():
        columns = columns[:1]
        given = looked.severities.pick(columns, asked.at)
    counted = np.isin(asked.rows.machine, asked.rows.machine[asked.rows.counts > 0])
    kept = given.known & counted
    rows = _counted(asked, kept)
    found = effects(rows, given.pick(range(len(columns)), kept), [math.log(plain.ratio)])
    own = found.corrected[0]
    if follow_rates(rows, found.severities, asked.pieces.late[kept]) > CALLED:
        return replace(rough, sentence=say.CALLED)
    if own.high > WIDEST * own.low:
        return replace(rough, sentence=say.too_wide(own))
    told = _told(rough, asked, kept, found, looked.error(scope.station))
    return replace(told, effect=(told.effect or {}) | _by_visit(rows, found))


def _by_visit(rows: Counted, found: Effects) -> dict[str, float]:
    """Return what the effect would be if a visit did nothing of itself, where that would be a clear rise."""
    try:
        both = with_visit(rows, found)
    except CalcError:
        return {}
    return {"with_visit": both.ratio} if both.ratio > 1.0 and both.p < CLEAR else {}


def _told(rough: Answer, asked: Asked, kept: BoolArray, found: Effects, error: float) -> Answer:
    own, pieces = found.corrected[0], asked.pieces.where(kept)
    rows = replace(asked.rows.where(kept), severity=np.maximum(found.severities[:, 0], 0.0))
    picture = drawn(rows, found.fit.expected, (own.ratio, own.low, own.high))
    months = asked.days / MONTH
    worth = picture.worth
    return replace(
        rough,
        rests_on=rough.rests_on | {"out": worth.cans_out, "unfound": int((~kept).sum())},
        effect=_numbers(own, error) | {"base": picture.base, "centre": picture.centre},
        points=picture.points,
        monthly=Monthly(worth.count / months, worth.low / months, worth.high / months),
        tooling=against_others(
            rows.counts.astype(float), rows.cans.astype(float), found.fit, found.severities, pieces.tooling.tolist()
        ),
    )


def _numbers(own: Corrected, error: float) -> dict[str, float]:
    return {
        "ratio": own.ratio,
        "low": own.low,
        "high": own.high,
        "p": own.p,
        "z": math.log(own.ratio) / own.se,
        "error": error,
        "by_error": own.by_error / own.se,
        "clusters": own.dof + 1,
        "shown": False,
    }


def _counted(asked: Asked, kept: BoolArray) -> Counted:
    some, pieces = asked.rows.where(kept), asked.pieces
    if len(some.counts) == 0:
        raise CalcError("No station was measured at two signed visits with cans between.")
    enough = len(np.unique(some.machine)) >= FEWEST_CLUSTERS
    since, fitted = (_filled(one[kept]) for one in (pieces.since, pieces.fitted))
    return Counted(
        some.counts.astype(float),
        some.cans * some.factor,
        some.machine,
        cells(some, pieces.line[kept]),
        some.machine if enough else _stretches(pieces)[kept],
        np.column_stack([by_visit(since), fitted, fitted**2]),
    )


def _stretches(pieces: Table) -> IntArray:
    """Return the number of the stretch between two visits that each piece is of."""
    begins = np.r_[True, (np.diff(pieces.machine) != 0) | ~(np.diff(pieces.since) > 0.0)]
    return np.asarray(np.cumsum(begins[: len(pieces)]))


def _filled(column: Any) -> Any:
    known = ~np.isnan(column)
    return np.where(known, column, column[known].mean() if known.any() else 0.0)


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
        "unfound": 0,
        "out": int(rows.cans[rows.severity > 1.0].sum()),
    }
