"""Findings of one defect code that lead to one machine, by month: on how many days of it the defect was made."""

from __future__ import annotations

import datetime as dt

import numpy as np
from django.db.models import F, Sum
from django.db.models.functions import TruncMonth

from linelog.plant.models import Plant
from linelog.production.models import DayCount
from linelog.trends.queries.pareto import occasions_in
from linelog.trends.repeats.by_month import Months, last_year, lines_of


def read(plant: Plant, now: dt.datetime) -> Months:
    """Count the last twelve whole months by machine and code; several findings of a day and code are one occasion."""
    since, until = last_year(plant, now)
    rows = (
        DayCount.objects.filter(machine__line__plant=plant, day__gte=since, day__lt=until)
        .order_by()
        .annotate(month=TruncMonth("day"))
        .values_list("machine_id", "month")
        .annotate(begun=Sum(F("cans") + F("spoiled")))
    )
    made = {(machine, month): float(begun or 0) for machine, month, begun in rows}
    machines, months = sorted({machine for machine, _ in made}), sorted({month for _, month in made})
    table = np.array([[made.get((machine, month), 0.0) for month in months] for machine in machines])
    counts: dict[int, np.ndarray[tuple[int, int], np.dtype[np.float64]]] = {}
    for one in occasions_in(plant, since, until - dt.timedelta(days=1)):
        month = one.day.replace(day=1)
        if one.machine_id in machines and month in months:
            of_code = counts.setdefault(one.code_id, np.zeros((len(machines), len(months))))
            of_code[machines.index(one.machine_id), months.index(month)] += 1.0
    line = lines_of(plant)
    return Months(
        tuple(machines),
        tuple(line[machine] for machine in machines),
        tuple(months),
        table.reshape(len(machines), len(months)),
        dict(sorted(counts.items())),
    )
