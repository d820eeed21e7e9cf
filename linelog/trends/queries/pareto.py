"""Findings and cans of a span, as the Pareto charts need them, in a fixed number of queries."""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linelog.plant.models import Machine, Plant, Station, Symptom
from linelog.production.days import day_begins, zone
from linelog.production.models import DayCount, Finding
from linelog.production.queries import machine_totals
from linelog.trends.queries.bearers import bearers_of
from linelog.trends.queries.findings import Mounted, mounted
from linelog.trends.tracing import Asked, Bearers, Candidate, led_to

COLUMNS = ("made_on", "made_from", "made_to", "code_id", "code__code", "code__name", "mark", "machine_id", "quantity")


@dataclass(frozen=True, slots=True)
class Occasion:
    """A defect found on one day of one machine: several findings of it are one occasion, for they come together.

    machine_id  None where the mark leads to no single machine; sets: those mounted at the time of any of them
    """

    day: dt.date
    code_id: int
    code: str
    machine_id: int | None
    sets: frozenset[int]
    cans: int


@dataclass(frozen=True, slots=True)
class Material:
    """What the charts rest on: occasions of the span and of the span before, cans, tools and symptoms."""

    occasions: tuple[Occasion, ...]
    earlier: tuple[Occasion, ...]
    machines: dict[int, str]
    cans: dict[int, int]
    earlier_cans: int
    set_cans: dict[tuple[int, int], int]
    sets: dict[int, str]
    kinds: dict[int, frozenset[str]]


def read_material(plant: Plant, since: dt.date, until: dt.date) -> Material:
    """Read a span and the one of the same length before it."""
    before = since - (until - since) - dt.timedelta(days=1)
    bearers = bearers_of(plant.pk)
    tools = mounted(plant.pk, day_begins(plant, before), day_begins(plant, until + dt.timedelta(days=1)))
    found = _occasions(plant, before, until, bearers, tools)
    machines = _names(plant)
    cans, set_cans = _cans(plant, machines, tools, since, until)
    earlier = machine_totals(machines, before, since - dt.timedelta(days=1))
    return Material(
        occasions=tuple(one for one in found if one.day >= since),
        earlier=tuple(one for one in found if one.day < since),
        machines=machines,
        cans=cans,
        earlier_cans=sum(total.made for total in earlier.values()),
        set_cans=set_cans,
        sets={one.set_id: one.name for one in tools},
        kinds=_kinds(plant),
    )


def _names(plant: Plant) -> dict[int, str]:
    """Return the machines' names, with the line where two have the same."""
    rows = list(
        Machine.objects.filter(line__plant=plant)
        .order_by("line__name", "name")
        .values_list("pk", "name", "line__name")
    )
    times = Counter(name for _, name, _ in rows)
    return {pk: name if times[name] == 1 else f"{line} · {name}" for pk, name, line in rows}


def _occasions(
    plant: Plant, since: dt.date, until: dt.date, bearers: Bearers, tools: list[Mounted]
) -> list[Occasion]:
    on_machine: dict[int, list[Mounted]] = defaultdict(list)
    for one in tools:
        on_machine[one.machine_id].append(one)
    gathered: dict[tuple[object, ...], Occasion] = {}
    rows = Finding.objects.filter(plant=plant, made_on__gte=since, made_on__lte=until).order_by("made_on", "pk")
    for day, begins, ends, code_id, code, name, mark, given, quantity in rows.values_list(*COLUMNS):
        known = Candidate(given, "", "", None) if given else None
        machine_id = led_to(Asked(mark, day, known), bearers)
        mine = on_machine[machine_id] if machine_id is not None else []
        sets = frozenset(one.set_id for one in mine if one.within(begins, ends))
        key = (day, code_id, machine_id if machine_id is not None else mark.casefold())
        so_far = gathered.get(key)
        cans, sets = (so_far.cans, so_far.sets | sets) if so_far else (0, sets)
        gathered[key] = Occasion(day, code_id, f"{code} {name}", machine_id, sets, cans + quantity)
    return list(gathered.values())


def _cans(
    plant: Plant, machines: dict[int, str], tools: list[Mounted], since: dt.date, until: dt.date
) -> tuple[dict[int, int], dict[tuple[int, int], int]]:
    """Return the cans begun by machine, and by machine and tooling set; a day of a change counts for what came on."""
    rows = DayCount.objects.filter(machine__in=machines, day__gte=since, day__lte=until)
    days: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for machine_id, day, cans, spoiled in rows.values_list("machine_id", "day", "cans", "spoiled"):
        days[machine_id].append((day.toordinal(), cans + spoiled))
    table = {pk: np.array(sorted(pairs), dtype=np.int64) for pk, pairs in days.items()}
    by_set: dict[tuple[int, int], int] = defaultdict(int)
    local = zone(plant)
    for one in tools:
        if one.machine_id in table:
            begins = one.begins.astimezone(local).date().toordinal()
            ends = one.ends.astimezone(local).date().toordinal() if one.ends else until.toordinal() + 1
            by_set[one.machine_id, one.set_id] += _between(table[one.machine_id], begins, ends)
    return {pk: int(pairs[:, 1].sum()) for pk, pairs in table.items()}, dict(by_set)


def _between(pairs: NDArray[np.int64], begins: int, ends: int) -> int:
    first, last = np.searchsorted(pairs[:, 0], [begins, ends])
    return int(pairs[first:last, 1].sum())


def _kinds(plant: Plant) -> dict[int, frozenset[str]]:
    """Return the kinds of station that each code's rows of the symptom table point to."""
    found: dict[int, set[str]] = defaultdict(set)
    rows = Symptom.objects.filter(code__plant=plant).exclude(station_kind="").order_by("pk")
    for code_id, kind in rows.values_list("code_id", "station_kind"):
        found[code_id].add(str(Station.Kind(kind).label))
    return {code_id: frozenset(kinds) for code_id, kinds in found.items()}


def last_day_made(plant: Plant) -> dt.date | None:
    """Return the last day of which a finding was made."""
    return Finding.objects.filter(plant=plant).order_by("-made_on").values_list("made_on", flat=True).first()
