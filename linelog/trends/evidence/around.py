"""Did the alignment help: rates of the days before and after each visit, with exact intervals of their ratio."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from django.db.models import F, Q, QuerySet, Sum

from linelog.alignment.models import Visit
from linelog.calc.errors import CalcError
from linelog.calc.rates import MILLION, Change, RateRatio, cans_needed, rate_ratios
from linelog.plant.models import Machine
from linelog.trends import words
from linelog.trends.addresses import machine_url, visit_url
from linelog.trends.evidence.scope import SPOILED
from linelog.trends.fleet import natural
from linelog.trends.models import Around
from linelog.web.templatetags.units import count

SIDES = ("before", "after")
#: A visit that a high rate called for: chance alone brings such a rate down again.
CALLED_FOR = {Visit.Reason.TEAR_OFFS, Visit.Reason.SPOILAGE}
A_PAGE = 20
SHOWN = {
    Change.HIGHER: ("above", "higher after"),
    Change.LOWER: ("below", "lower after"),
    Change.NOT_SHOWN: ("", "no difference shown"),
}


@dataclass(frozen=True, slots=True)
class Side:
    """Counts and cans of one side, and their rate per million."""

    counts: int
    made: int
    days: int

    @property
    def rate(self) -> float | None:
        """Counts per million cans, None without a can."""
        return MILLION * self.counts / self.made if self.made else None


@dataclass(frozen=True, slots=True)
class Row:
    """A comparison: of one visit, or of several put together. `ratio` is None where a side has no cans."""

    name: str
    url: str
    visits: int
    before: Side
    after: Side
    ratio: RateRatio | None
    machine: str = ""
    reason: str = ""
    length: int = 0
    called_for: bool = False

    @property
    def css(self) -> str:
        """The class that gives the word its shape."""
        return SHOWN[self.ratio.change][0] if self.ratio else ""

    @property
    def word(self) -> str:
        """What the interval says."""
        return SHOWN[self.ratio.change][1] if self.ratio else self.missing

    @property
    def missing(self) -> str:
        """Why there is no ratio."""
        if self.length == 0 and self.visits == 1:
            return "another visit the day before or after"
        if self.before.made == 0 and self.after.made == 0:
            return "no cans on either side"
        return "no cans before" if self.before.made == 0 else "no cans after yet"


def rows_of(machines: Any, *, window: int, since: dt.date | None, measure: str) -> QuerySet[Around]:
    """Return the days around the visits of machines, with what is compared as `y_before` and `y_after`."""
    rows = Around.objects.filter(machine__in=machines, window=window)
    counted = "spoiled" if measure == SPOILED else "tear_offs"
    if since is not None:
        rows = rows.filter(day__gte=since)
    return rows.annotate(**{f"y_{side}": F(f"{counted}_{side}") for side in SIDES})


def _sums() -> dict[str, Any]:
    return {f"{name}_{side}_sum": Sum(f"{name}_{side}") for name in ("y", "made", "days") for side in SIDES}


def by_reason(rows: QuerySet[Around]) -> list[Row]:
    """Put the visits of each reason together, in the order in which the reasons are offered."""
    found = _grouped(rows, "visit__reason")
    reasons = [one for one in Visit.Reason if one.value in found]
    made = [_put_together(one.label, "", found[one.value], called_for=one in CALLED_FOR) for one in reasons]
    return _with_ratios(made)


def by_machine(rows: QuerySet[Around]) -> list[Row]:
    """Put the visits of each machine together, in the order of their names."""
    found = _grouped(rows, "machine")
    named = Machine.objects.filter(pk__in=found).values_list("pk", "name")
    in_order = sorted(named, key=lambda pair: natural(pair[1]))
    return _with_ratios([_put_together(name, machine_url(pk), found[pk]) for pk, name in in_order])


def _grouped(rows: QuerySet[Around], key: str) -> dict[Any, dict[str, Any]]:
    both = rows.filter(Q(made_before__gt=0) & Q(made_after__gt=0)).order_by()
    return {one[key]: one for one in both.values(key).annotate(visits=Sum(1), **_sums())}


def _put_together(name: str, url: str, sums: dict[str, Any], *, called_for: bool = False) -> Row:
    before, after = (Side(*(sums[f"{what}_{side}_sum"] for what in ("y", "made", "days"))) for side in SIDES)
    return Row(name, url, sums["visits"], before, after, None, called_for=called_for)


def visits(rows: QuerySet[Around], page: int) -> tuple[list[Row], bool]:
    """Return a page of visits, the newest first, and whether there are older ones."""
    columns = ("visit_id", "day", "length", "visit__reason", "machine__name", "machine_id")
    sides = [f"{name}_{side}" for side in SIDES for name in ("y", "made", "days")]
    found = list(
        rows.order_by("-day", "-visit_id").values_list(*columns, *sides)[(page - 1) * A_PAGE : page * A_PAGE + 1]
    )
    made = [
        Row(
            name=words.date(day),
            url=visit_url(visit),
            visits=1,
            before=Side(*numbers[:3]),
            after=Side(*numbers[3:]),
            ratio=None,
            machine=machine,
            reason=Visit.Reason(reason).label,
            length=length,
            called_for=Visit.Reason(reason) in CALLED_FOR,
        )
        for visit, day, length, reason, machine, _, *numbers in found[:A_PAGE]
    ]
    return _with_ratios(made), len(found) > A_PAGE


def _with_ratios(rows: Sequence[Row]) -> list[Row]:
    """Work out all ratios at once."""
    some = [row for row in rows if row.before.made > 0 and row.after.made > 0]
    if not some:
        return list(rows)
    ratios = rate_ratios(
        [row.after.counts for row in some],
        [row.after.made for row in some],
        [row.before.counts for row in some],
        [row.before.made for row in some],
    )
    found = dict(zip(map(id, some), ratios, strict=True))
    return [_replace(row, found.get(id(row))) for row in rows]


def _replace(row: Row, ratio: RateRatio | None) -> Row:
    values = {name: getattr(row, name) for name in Row.__slots__}
    return Row(**{**values, "ratio": ratio})


@lru_cache(maxsize=8192)
def more_cans(before: Side, after: Side, percent: int) -> str:
    """Say how many more cans after the visit it takes until a rate lower by so much could be seen."""
    if before.counts == 0:
        return "nothing counted before: no number of cans shows a fall"
    try:
        needed = cans_needed(before.counts, before.made, 1.0 - percent / 100.0, cans_so_far=after.made)
    except CalcError as refused:
        return refused.message
    if needed.more is None:
        return f"too few counted before to see {percent} % ever: take more days"
    if needed.more == 0:
        return f"enough to see {percent} %"
    return f"{count(_rounded(needed.more))} more"


def _rounded(cans: int) -> int:
    """Round to two digits: the number is a forecast."""
    step = 10 ** max(len(str(cans)) - 2, 0)
    return int(-(-cans // step) * step)


@dataclass(frozen=True, slots=True)
class Shown:
    """A row with what it says of more cans."""

    row: Row
    more: str


def with_more(rows: Iterable[Row], percent: int) -> list[Shown]:
    """Put beside each comparison how many more cans it takes; nothing where a difference is shown already."""
    return [
        Shown(row, "" if row.ratio is None or row.css else more_cans(row.before, row.after, percent)) for row in rows
    ]
