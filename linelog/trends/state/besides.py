"""What is known of machines beside their alignment: problems that come back, and what changed lately."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection

from django.db.models import Count, Q

from linelog.production.models import Event
from linelog.trends import words
from linelog.trends.models import RepeatProblem
from linelog.trends.ranking.yardstick import DAYS

#: What may make a machine tear cans while it stands in line.
OTHER_REASONS = (Event.Kind.METAL, Event.Kind.LUBRICATION)


def coming_back(machines: Collection[int]) -> dict[int, tuple[RepeatProblem, ...]]:
    """Return the repeat problems of machines that hold and wait for somebody, or came back; one query."""
    waits = Q(holds=True, since=RepeatProblem.Since.OPEN) | Q(since=RepeatProblem.Since.BACK)
    rows = RepeatProblem.objects.filter(waits, machine__in=list(machines), part_of=None)
    found: dict[int, list[RepeatProblem]] = defaultdict(list)
    for row in rows.select_related("machine", "station", "cause").order_by("machine", "-last_on", "key"):
        found[row.machine_id].append(row)
    return {pk: tuple(some) for pk, some in found.items()}


def happened_lately(machines: Collection[int], today: dt.date) -> dict[int, tuple[str, ...]]:
    """Return what changed on machines, other than their alignment, in the span that the fleet is compared over."""
    since = today - dt.timedelta(days=DAYS)
    rows = Event.objects.filter(machine__in=list(machines), kind__in=OTHER_REASONS, at__date__gte=since)
    found: dict[int, list[str]] = defaultdict(list)
    for pk, kind, times in (
        rows.values_list("machine", "kind").annotate(times=Count("pk")).order_by("machine", "kind")
    ):
        found[pk].append(f"{Event.Kind(kind).label.lower()} ({words.plural(times, 'entry', 'entries')} since then)")
    return {pk: tuple(some) for pk, some in found.items()}
