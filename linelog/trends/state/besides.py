"""What is known of machines beside their alignment: problems that come back, and what changed lately."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection

from django.db.models import Count
from django.utils import timezone

from linelog.plant.models import Fitting
from linelog.production.models import Event
from linelog.trends import words
from linelog.trends.models import RepeatProblem
from linelog.trends.ranking.yardstick import DAYS
from linelog.trends.repeats.queries import waits

#: What may make a machine tear cans while it stands in line.
OTHER_REASONS = (Event.Kind.PRESSURE, Event.Kind.METAL, Event.Kind.LUBRICATION)


def coming_back(machines: Collection[int]) -> dict[int, tuple[RepeatProblem, ...]]:
    """Return the repeat problems of machines that wait for somebody; one query."""
    rows = RepeatProblem.objects.filter(waits(timezone.localdate()), machine__in=list(machines), part_of=None)
    found: dict[int, list[RepeatProblem]] = defaultdict(list)
    for row in rows.select_related("machine", "station", "cause", "code").order_by("machine", "-last_on", "key"):
        found[row.machine_id].append(row)
    return {pk: tuple(some) for pk, some in found.items()}


def happened_lately(machines: Collection[int], today: dt.date) -> dict[int, tuple[str, ...]]:
    """Return what to look at beside alignment: the tools on a machine, and changes in the span of the yardstick."""
    since = today - dt.timedelta(days=DAYS)
    found: dict[int, list[str]] = defaultdict(list)
    fitted = Fitting.objects.filter(machine__in=list(machines), removed_at__isnull=True).order_by("machine")
    for pk, name, at in fitted.values_list("machine", "tooling_set__name", "fitted_at"):
        found[pk].append(f"its tools ({name}, on it since {words.date(timezone.localtime(at).date())})")
    rows = Event.objects.filter(machine__in=list(machines), kind__in=OTHER_REASONS, at__date__gte=since)
    counted = rows.order_by("machine", "kind").values_list("machine", "kind").annotate(times=Count("pk"))
    for pk, kind, times in counted:
        found[pk].append(f"{Event.Kind(kind).label.lower()} ({times} since {words.date(since)})")
    return {pk: tuple(some) for pk, some in found.items()}
