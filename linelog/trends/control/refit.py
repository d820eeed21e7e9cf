"""Keep the stored signals up to date after every change of the counts."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

import numpy as np
from django.db import transaction

from linelog.calc.rates import MILLION
from linelog.plant.models import Machine, Plant
from linelog.production.days import production_day
from linelog.production.queries import DaySeries, FleetSeries, fleet_day_counts
from linelog.trends.control.charts import BASE_DAYS, Charts, Found, charts, quarter_of, signals, wants_weeks
from linelog.trends.models.control import Signal
from linelog.trends.rates import MEASURES

QUARTERS = 8  # back from the one that today is in; older signals stay as they are
FIGURES = ("by_week", "began_on", "rate", "centre", "limit", "counts", "made", "holds", "refitted_at")
Key = tuple[int, str, str, bool, dt.date]


def watched_from(today: dt.date) -> dt.date:
    """Return the first day whose signals are worked out anew."""
    months = 12 * today.year + today.month - 1 - 3 * (QUARTERS - 1)
    return quarter_of(dt.date(months // 12, months % 12 + 1, 1))


def refit_signals(plant: Plant, now: dt.datetime) -> None:
    """Work out the charts of every machine, and store their signals; what people wrote is not touched."""
    since = watched_from(production_day(plant, now))
    machines = list(Machine.objects.filter(line__plant=plant).order_by("pk").values_list("pk", flat=True))
    fleet = fleet_day_counts(machines, since - dt.timedelta(days=BASE_DAYS), None)
    found = {
        key: row for machine, days in by_machine(fleet) for key, row in _signals_of(machine, days, since, now).items()
    }
    _store(plant, found, since, now)


def by_machine(fleet: FleetSeries) -> Iterator[tuple[int, DaySeries]]:
    """Yield each machine's own days; the rows come by machine and then by day."""
    ends = np.flatnonzero(np.diff(fleet.machine_id, prepend=-1, append=-1))
    for begin, end in zip(ends[:-1].tolist(), ends[1:].tolist(), strict=True):
        columns = (getattr(fleet.days, name)[begin:end] for name in DaySeries.__slots__)
        yield int(fleet.machine_id[begin]), DaySeries(*columns)


def _signals_of(machine: int, days: DaySeries, since: dt.date, now: dt.datetime) -> dict[Key, Signal]:
    rows: dict[Key, Signal] = {}
    for measure in MEASURES:
        drawn = charts(measure, days, by_week=wants_weeks(measure, days))
        for one in signals(drawn) if drawn is not None else ():
            row = _row(machine, drawn, one, now) if drawn is not None else None
            if row is not None and row.day >= since:
                rows[key_of(row)] = row
    return rows


def key_of(row: Signal) -> Key:
    """Return what a signal is known by."""
    return (row.machine_id, row.measure, row.rule, row.up, row.day)


def _row(machine: int, drawn: Charts, one: Found, now: dt.datetime) -> Signal:
    span = slice(one.first, one.index + 1)
    counts, made = float(drawn.counts[span].sum()), float(drawn.made[span].sum())
    edge = drawn.upper if one.up else drawn.lower
    return Signal(
        machine_id=machine,
        measure=drawn.measure.key,
        rule=one.rule,
        up=one.up,
        day=drawn.day[one.index].item(),
        by_week=drawn.by_week,
        began_on=drawn.day[one.first].item(),
        rate=counts / made * MILLION,
        centre=float(drawn.centre[one.index]),
        limit=float(edge[one.index]) if one.rule == Signal.Rule.LIMIT else None,
        counts=round(counts),
        made=round(made),
        refitted_at=now,
    )


def _store(plant: Plant, found: dict[Key, Signal], since: dt.date, now: dt.datetime) -> None:
    """Add what is new, renew what changed, and say of the rest that the counts no longer signal."""
    with transaction.atomic():
        Plant.objects.select_for_update(no_key=True).values_list("pk").get(pk=plant.pk)  # one refit at a time
        stored = {key_of(row): row for row in Signal.objects.filter(machine__line__plant=plant, day__gte=since)}
        Signal.objects.bulk_create([row for key, row in found.items() if key not in stored], batch_size=500)
        changed = [row for key, row in stored.items() if _renewed(row, found.get(key), now)]
        Signal.objects.bulk_update(changed, FIGURES, batch_size=200)


def _renewed(row: Signal, now_found: Signal | None, now: dt.datetime) -> bool:
    """Put the figures of today into a stored row; return whether any of them is another."""
    names = [name for name in FIGURES if name != "refitted_at"]
    before = [getattr(row, name) for name in names]
    if now_found is None:
        row.holds = False
    else:
        for name in names:
            setattr(row, name, getattr(now_found, name))
    row.refitted_at = now
    return before != [getattr(row, name) for name in names]
