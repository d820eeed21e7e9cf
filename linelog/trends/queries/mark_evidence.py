"""The evidence by which candidates of a mark are weighed, read at once for many findings of a plant."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection

from django.db.models import F, Q

from linelog.calc.misread import UNREAD, Misreading, lookalikes
from linelog.plant.models import Machine, Plant
from linelog.production.models import DayCount, Finding
from linelog.trends.bearing import Bearers
from linelog.trends.mark_evidence import LOOKED_AT_DAYS, Counted, Evidence, Known, count_marks
from linelog.trends.tracing import Asked, Candidate, led_to

MOST_LIKE, MOST_COUNTED, MOST_SPAN_DAYS = 20_000, 5_000, 200


def evidence_for(plant: Plant, findings: Collection[Finding], bearers: Bearers) -> Evidence:
    """Read the evidence for findings of a plant: four queries, however many they are.

    Findings strewn over more than `MOST_SPAN_DAYS` are weighed without the rates of the machines: ten years of daily
    counts would be read for one page of a list. A finding's own page weighs it with them.
    """
    days = {finding.made_on for finding in findings}
    how = Misreading(plant.misread_percent / 100.0, lookalikes(plant.mark_lookalikes))
    counted = _counted(plant, bearers, how)
    since, until = min(days), max(days)
    if (until - since).days > MOST_SPAN_DAYS:
        beside = {day + dt.timedelta(days=off) for day in days for off in (-1, 0, 1)}
        return Evidence((), _cans(plant, Q(day__in=beside)), how, counted)
    around = dt.timedelta(days=LOOKED_AT_DAYS)
    span = (since - around, until + around)
    known = _known(plant, {finding.code_id for finding in findings}, span, bearers)
    return Evidence(known, _cans(plant, Q(day__range=span)), how, counted)


def _known(plant: Plant, codes: set[int], span: tuple[dt.date, dt.date], bearers: Bearers) -> list[Known]:
    rows = Finding.objects.filter(plant=plant, code__in=codes, made_on__range=span).order_by("-made_on", "-pk")
    columns = rows.values_list("pk", "code_id", "made_on", "mark", "machine_id")[:MOST_LIKE]
    found = []
    for pk, code_id, day, mark, given in columns:
        machine_id = led_to(Asked(mark, day, Candidate(given, "", "", None) if given else None), bearers)
        if machine_id is not None:
            found.append(Known(pk, code_id, machine_id, day))
    return found


def _cans(plant: Plant, days: Q) -> dict[int, dict[dt.date, int]]:
    """Return the cans begun by machine and day."""
    machines = Machine.objects.filter(line__plant=plant).values("pk")
    rows = DayCount.objects.filter(days, machine__in=machines).order_by()
    found: dict[int, dict[dt.date, int]] = {}
    for machine_id, day, begun in rows.values_list("machine_id", "day", F("cans") + F("spoiled")).iterator(5_000):
        found.setdefault(machine_id, {})[day] = begun
    return found


def _counted(plant: Plant, bearers: Bearers, how: Misreading) -> Counted:
    rows = Finding.objects.filter(plant=plant).exclude(mark="").exclude(mark__contains=UNREAD)
    newest = rows.order_by("-made_on", "-pk").values_list("mark", "made_on", "machine_id")[:MOST_COUNTED]
    return count_marks(newest, bearers, how)
