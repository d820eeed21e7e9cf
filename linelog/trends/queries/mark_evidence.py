"""The evidence by which candidates of a mark are weighed, read at once for many findings of a plant."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection

from linelog.calc.misread import UNREAD, Misreading, lookalikes
from linelog.plant.models import Machine, Plant
from linelog.production.models import Finding
from linelog.production.queries import fleet_day_counts
from linelog.trends.bearing import Bearers
from linelog.trends.mark_evidence import LOOKED_AT_DAYS, Counted, Evidence, Known, count_marks
from linelog.trends.tracing import Asked, Candidate, led_to

MOST_LIKE, MOST_COUNTED = 20_000, 5_000


def evidence_for(plant: Plant, findings: Collection[Finding], bearers: Bearers) -> Evidence:
    """Read the evidence for findings of a plant: four queries, however many they are."""
    days = [finding.made_on for finding in findings]
    span = (min(days) - dt.timedelta(days=LOOKED_AT_DAYS), max(days) + dt.timedelta(days=LOOKED_AT_DAYS))
    how = Misreading(plant.misread_percent / 100.0, lookalikes(plant.mark_lookalikes))
    known = _known(plant, {finding.code_id for finding in findings}, span, bearers)
    return Evidence(known, _cans(plant, *span), how, _counted(plant, bearers, how))


def _known(plant: Plant, codes: set[int], span: tuple[dt.date, dt.date], bearers: Bearers) -> list[Known]:
    rows = Finding.objects.filter(plant=plant, code__in=codes, made_on__range=span).order_by("-made_on", "-pk")
    columns = rows.values_list("pk", "code_id", "made_on", "mark", "machine_id")[:MOST_LIKE]
    found = []
    for pk, code_id, day, mark, given in columns:
        machine_id = led_to(Asked(mark, day, Candidate(given, "", "", None) if given else None), bearers)
        if machine_id is not None:
            found.append(Known(pk, code_id, machine_id, day))
    return found


def _cans(plant: Plant, since: dt.date, until: dt.date) -> dict[int, dict[dt.date, int]]:
    """Return the cans begun by machine and day."""
    machines = list(Machine.objects.filter(line__plant=plant).order_by().values_list("pk", flat=True))
    counted = fleet_day_counts(machines, since, until)
    found: dict[int, dict[dt.date, int]] = {}
    rows = zip(counted.machine_id.tolist(), counted.days.day.tolist(), counted.days.made.tolist(), strict=True)
    for machine_id, day, made in rows:
        found.setdefault(machine_id, {})[day] = made
    return found


def _counted(plant: Plant, bearers: Bearers, how: Misreading) -> Counted:
    rows = Finding.objects.filter(plant=plant).exclude(mark="").exclude(mark__contains=UNREAD)
    newest = rows.order_by("-made_on", "-pk").values_list("mark", "made_on", "machine_id")[:MOST_COUNTED]
    return count_marks(newest, bearers, how)
