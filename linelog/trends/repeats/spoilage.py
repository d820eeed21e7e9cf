"""Spoilage by cause, machine and month."""

from __future__ import annotations

import datetime as dt

import numpy as np
from django.db.models import BigIntegerField, F, Sum
from django.db.models.fields.json import KeyTextTransform
from django.db.models.functions import Cast, TruncMonth

from linelog.plant.models import Plant
from linelog.production.models import ShiftCount, SpoilageCause
from linelog.trends.repeats.by_month import Months, last_year, lines_of


def read(plant: Plant, now: dt.datetime) -> Months:
    """Add up the last twelve whole months by machine and cause, in three queries."""
    since, until = last_year(plant, now)
    sorts = list(SpoilageCause.objects.filter(plant=plant).order_by("pk").values_list("pk", "code"))
    sums = {f"c{pk}": Sum(Cast(KeyTextTransform(code, "by_cause"), BigIntegerField())) for pk, code in sorts}
    rows = list(
        ShiftCount.objects.filter(machine__line__plant=plant, day__gte=since, day__lt=until)
        .order_by()
        .annotate(month=TruncMonth("day"))
        .values_list("machine_id", "month")
        .annotate(made=Sum(F("cans") + F("spoiled")), **sums)
    )
    machines, months = sorted({row[0] for row in rows}), sorted({row[1] for row in rows})
    table = np.zeros((1 + len(sorts), len(machines), len(months)))
    for machine, month, *values in rows:
        table[:, machines.index(machine), months.index(month)] = [value or 0 for value in values]
    spoiled = {pk: table[number] for number, (pk, _) in enumerate(sorts, start=1)}
    line = lines_of(plant)
    return Months(tuple(machines), tuple(line[machine] for machine in machines), tuple(months), table[0], spoiled)
