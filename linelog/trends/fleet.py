"""The fleet table: each machine's alignment and its tear-offs against the fleet, put in an order."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from django.utils import timezone

from linelog.calc.rates import rates_per_million
from linelog.calc.station_state import State
from linelog.plant.models import Person, Plant
from linelog.production.queries import Totals
from linelog.trends import words
from linelog.trends.addresses import machine_url
from linelog.trends.due.now import Asked, Now, facts_now
from linelog.trends.due.rule import Due, due
from linelog.trends.queries import fleet as queries
from linelog.trends.queries.fleet import Known, OpenVisit, Worst
from linelog.web.templatetags.units import count

DAYS = 28
DRIFT_SECONDS = 0.3  # for the drift of machines whose log has changed since; the rest waits for the next page
FEW_EXPECTED = 5.0  # tear-offs at the fleet's rate; below this the cans are few: common practice, no source


@dataclass(frozen=True, slots=True)
class Against:
    """A machine's tear-offs per million with their exact 95 % interval, against the fleet's rate."""

    rate: float
    low: float
    high: float
    count: int
    cans: int
    fleet_rate: float

    @property
    def word(self) -> str:
        """Above or below only where the interval leaves the fleet's rate out."""
        if self.low > self.fleet_rate:
            return "above"
        return "below" if self.high < self.fleet_rate else "no different"

    @property
    def css(self) -> str:
        """The class that gives the word its shape."""
        return self.word.replace(" ", "-")

    @property
    def rate_text(self) -> str:
        """The rate as it is read."""
        return f"{self.rate:.1f}"

    @property
    def interval(self) -> str:
        """The interval as it is read."""
        return f"{self.low:.1f} to {self.high:.1f}"

    @property
    def fleet_text(self) -> str:
        """The rate of the fleet as it is read."""
        return f"{self.fleet_rate:.1f} in the fleet"

    @property
    def cans_text(self) -> str:
        """The cans as they are read."""
        return count(self.cans)

    @property
    def few(self) -> bool:
        """Whether it rests on so few cans that little can be said."""
        return self.fleet_rate * self.cans / 1e6 < FEW_EXPECTED


@dataclass(frozen=True, slots=True)
class Row:
    """One machine of the fleet."""

    known: Known
    marks: tuple[str, ...]
    last_day: dt.date | None
    age: str
    due: Due
    worst: Worst | None
    against: Against | None
    open_visits: tuple[OpenVisit, ...]

    @property
    def url(self) -> str:
        """Where the machine's page is."""
        return machine_url(self.known.pk)

    @property
    def mark(self) -> str:
        """The marks of today as they are read."""
        return " and ".join(self.marks)

    @property
    def state(self) -> str:
        """The class that gives the verdict its shape."""
        return self.worst.status.css if self.worst else "none"

    @property
    def severity(self) -> str:
        """The value that counts there as a share of its limit."""
        share = self.worst.status.severity if self.worst else None
        return "–" if share is None else f"{share:.2f}"

    @property
    def is_out(self) -> bool:
        """Whether its worst station is proven out."""
        return self.worst is not None and self.worst.status.is_out


@dataclass(frozen=True, slots=True)
class Fleet:
    """All machines a person may see; the span of the rates, None where nothing was ever counted."""

    rows: tuple[Row, ...]
    since: dt.date | None
    until: dt.date | None
    lines: tuple[tuple[int, str], ...]


def read(user: Person, today: dt.date, at: dt.datetime) -> Fleet:
    """Read the fleet; rates are of the last 28 days of which counts are known."""
    known = queries.machines(user, today)
    until = queries.last_day_counted(user)
    until = min(until, today) if until else None
    since = until - dt.timedelta(days=DAYS - 1) if until else None
    sums = queries.totals(known, since, until) if since and until else {}
    against = compare(known, sums)
    now = _now(known, sums, at)
    marks, worst, open_at = queries.marks_today(user, today), queries.worst_now(now.stand), queries.open_visits(user)

    def row(one: Known) -> Row:
        last = _last_day(one)
        return Row(
            known=one,
            marks=tuple(marks.get(one.pk, ())),
            last_day=last,
            age=words.ago(last, today) if last else "never",
            due=due(now.facts[one.pk], today),
            worst=worst.get(one.pk),
            against=against.get(one.pk),
            open_visits=tuple(open_at.get(one.pk, ())),
        )

    lines = {one.line_id: one.line for one in known}
    return Fleet(tuple(row(one) for one in known), since, until, tuple(lines.items()))


def _last_day(one: Known) -> dt.date | None:
    return timezone.localtime(one.last_at).date() if one.last_at else None


def _now(known: list[Known], sums: dict[int, Totals], at: dt.datetime) -> Now:
    plants = Plant.objects.in_bulk({one.plant_id for one in known})
    asked = [Asked(one.pk, plants[one.plant_id], _last_day(one)) for one in known]
    return facts_now(asked, at=at, seconds=DRIFT_SECONDS, totals=sums)


def compare(known: Iterable[Known], sums: dict[int, Totals]) -> dict[int, Against]:
    """Hold each machine's rate against that of its whole plant; machines without cans are left out."""
    plants: dict[int, list[int]] = {}
    for one in known:
        if one.pk in sums and sums[one.pk].made > 0:
            plants.setdefault(one.plant_id, []).append(one.pk)
    found: dict[int, Against] = {}
    for members in plants.values():
        counts, cans = [sums[pk].tear_offs for pk in members], [sums[pk].made for pk in members]
        exact = rates_per_million(counts, cans)
        fleet_rate = 1e6 * sum(counts) / sum(cans)
        columns = zip(exact.rate.tolist(), exact.low.tolist(), exact.high.tolist(), counts, cans, strict=True)
        found |= {pk: Against(*row, fleet_rate) for pk, row in zip(members, columns, strict=True)}
    return found


def natural(name: str) -> list[Any]:
    """Sort key that puts 'BM 9' before 'BM 10'."""
    return [(0, int(part), "") if part.isdecimal() else (1, 0, part.casefold()) for part in re.split(r"(\d+)", name)]


def _by_name(row: Row) -> tuple[Any, ...]:
    return (row.known.plant_id, natural(row.known.line), natural(row.known.name))


def _by_age(row: Row) -> Any:
    return row.last_day or dt.date.min


def _by_worst(row: Row) -> Any:
    return row.worst.status.worst_key if row.worst else (len(State), 0.0)


def _by_rate(row: Row) -> float:
    return -row.against.rate if row.against else 1.0


def _by_need(row: Row) -> Any:
    return (not row.is_out, not row.due.is_due, _by_age(row))


SORTS: dict[str, Callable[[Row], Any]] = {
    "machine": _by_name,
    "age": _by_age,
    "worst": _by_worst,
    "rate": _by_rate,
    "need": _by_need,
}


def ordered(rows: Iterable[Row], sort: str, *, backward: bool = False, line: int | None = None) -> list[Row]:
    """Return the rows of a line (or all) in an order; equal ones by name."""
    chosen = sorted((row for row in rows if line is None or row.known.line_id == line), key=_by_name)
    return sorted(chosen, key=SORTS[sort], reverse=backward)
