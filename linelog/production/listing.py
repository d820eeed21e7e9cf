"""Counts, their changes and events as the pages list them: newest first, a page at a time, never counted through."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any, TypeVar

from django.db.models import F, Model, QuerySet

from linelog.plant.models import Machine
from linelog.production.forms import LABELS
from linelog.production.models import CountChange, Event, ShiftCount, WallSample
from linelog.web.requests import whole

PAGE = 50
MOST_PAGES = 200  # older rows by their span: the database walks past all newer ones
Row = TypeVar("Row", bound=Model)


@dataclass(frozen=True, slots=True)
class Page:
    """A page of rows and whether there are older ones to turn to; a count of all would read them all."""

    rows: list[Any]
    number: int
    has_older: bool
    is_last_shown: bool = False

    @property
    def newer(self) -> int:
        """The page before this one, 0 on the first."""
        return self.number - 1

    @property
    def older(self) -> int:
        """The page after this one."""
        return self.number + 1


def page_of(rows: QuerySet[Row], number: str) -> Page:
    """Return a page; anything but a page number is the first.

    It is found in the one table, by its index; only then is read what its rows are shown with.
    """
    wanted = min(max(whole(number) or 1, 1), MOST_PAGES)
    found = list(rows.select_related(None).values_list("pk", flat=True)[(wanted - 1) * PAGE : wanted * PAGE + 1])
    shown = rows.filter(pk__in=found[:PAGE])
    return Page(list(shown), wanted, len(found) > PAGE and wanted < MOST_PAGES, wanted == MOST_PAGES)


def machine_ids(user: Any, chosen: dict[str, Any]) -> list[int]:
    """Return the machines that a person chose, or all they may see."""
    machines = Machine.objects.for_user(user)
    if chosen.get("line"):
        machines = machines.filter(line=chosen["line"])
    if chosen.get("machine"):
        machines = machines.filter(pk=chosen["machine"].pk)
    return list(machines.values_list("pk", flat=True))


def _span(chosen: dict[str, Any]) -> dict[str, dt.date]:
    ends = {"day__gte": chosen.get("since"), "day__lte": chosen.get("until")}
    return {name: end for name, end in ends.items() if end}


def _of_machines(rows: QuerySet[Any], machines: list[int]) -> QuerySet[Any]:
    """Return the rows of these machines, to be read newest first.

    Of one machine its own index gives them in order. Of several, the index on the time does, down to the page's
    last row; the sum keeps the database from gathering every row of every machine by their index and sorting them.
    """
    if len(machines) == 1:
        return rows.filter(machine_id=machines[0])
    several: QuerySet[Any] = rows.alias(one_of=F("machine_id") + 0)
    return several.filter(one_of__in=machines)


def shifts(user: Any, chosen: dict[str, Any]) -> QuerySet[ShiftCount]:
    """Return the chosen shifts, the newest day first."""
    rows = _of_machines(ShiftCount.objects.filter(**_span(chosen)), machine_ids(user, chosen))
    return rows.select_related("machine__line", "shift").order_by("-day", "machine_id", "shift_id")


@dataclass(frozen=True, slots=True)
class Difference:
    """One number of a replaced row, as it reads."""

    label: str
    was: str
    now: str


def _reads(number: float | None) -> str:
    return "–" if number is None else f"{number:,.10g}".replace(",", "\u202f")


def differences(before: dict[str, Any], after: dict[str, Any] | None) -> list[Difference]:
    """Return what a change of a row changed, number by number; every number where the row was taken out."""
    now = after or {}
    pairs = [(label, before.get(name), now.get(name)) for name, label in LABELS.items()]
    was_causes, now_causes = before.get("by_cause") or {}, now.get("by_cause") or {}
    for code in sorted(was_causes.keys() | now_causes.keys()):
        pairs.append((f"Spoiled: {code}", was_causes.get(code, 0), now_causes.get(code, 0)))
    return [Difference(label, _reads(a), _reads(b)) for label, a, b in pairs if after is None or a != b]


@dataclass(frozen=True, slots=True)
class Change:
    """A replaced row with what was different."""

    row: CountChange
    differences: list[Difference]


def changes(user: Any, chosen: dict[str, Any]) -> QuerySet[CountChange]:
    """Return the replaced rows, the latest change first."""
    rows = _of_machines(CountChange.objects.filter(**_span(chosen)), machine_ids(user, chosen))
    return rows.select_related("machine__line", "shift", "by", "upload").order_by("-at", "-pk")


def with_differences(rows: list[CountChange]) -> list[Change]:
    """Return replaced rows with what was different in each."""
    return [Change(row, differences(row.before, row.after)) for row in rows]


def walls(user: Any, chosen: dict[str, Any]) -> QuerySet[WallSample]:
    """Return wall samples with their heights, the latest first; the span goes by the days of the reader's zone."""
    ends = {"taken_at__date__gte": chosen.get("since"), "taken_at__date__lte": chosen.get("until")}
    span = {name: end for name, end in ends.items() if end}
    rows = _of_machines(WallSample.objects.filter(**span), machine_ids(user, chosen))
    return rows.select_related("machine__line", "tooling_set").prefetch_related("rings").order_by("-taken_at", "-pk")


def events(user: Any, chosen: dict[str, Any]) -> QuerySet[Event]:
    """Return events, the latest first; the span goes by the calendar days of the reader's zone."""
    rows = Event.objects.filter(machine_id__in=machine_ids(user, chosen))
    ends = {"at__date__gte": chosen.get("since"), "at__date__lte": chosen.get("until")}
    rows = rows.filter(**{name: end for name, end in ends.items() if end})
    return rows.select_related("machine__line", "by").order_by("-at", "-pk")
