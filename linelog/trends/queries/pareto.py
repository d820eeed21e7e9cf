"""Findings and cans of a span, as the Pareto charts need them, in a fixed number of queries."""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from dataclasses import dataclass

from django.db.models import F, OuterRef, Q, Subquery, Sum, Value
from django.db.models.functions import Coalesce, Greatest, Least, TruncDate

from linelog.plant.models import Fitting, Machine, Plant, Station, Symptom
from linelog.production.days import day_begins, zone
from linelog.production.models import DayCount, Finding
from linelog.production.queries import cans_begun
from linelog.trends.bearing import Bearers
from linelog.trends.queries.bearers import bearers_of
from linelog.trends.queries.findings import Mounted, mounted
from linelog.trends.tracing import Asked, Candidate, led_to

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
    earlier = cans_begun(machines, before, since - dt.timedelta(days=1))
    return Material(
        occasions=tuple(one for one in found if one.day >= since),
        earlier=tuple(one for one in found if one.day < since),
        machines=machines,
        cans=cans_begun(machines, since, until),
        earlier_cans=sum(earlier.values()),
        set_cans=_cans_by_set(plant, since, until),
        sets={one.set_id: one.name for one in tools},
        kinds=_kinds(plant),
    )


def occasions_in(plant: Plant, since: dt.date, until: dt.date) -> list[Occasion]:
    """Read the occasions of a span alone."""
    tools = mounted(plant.pk, day_begins(plant, since), day_begins(plant, until + dt.timedelta(days=1)))
    return _occasions(plant, since, until, bearers_of(plant.pk), tools)


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


def _cans_by_set(plant: Plant, since: dt.date, until: dt.date) -> dict[tuple[int, int], int]:
    """Return the cans begun by machine and tooling set; a day of a change counts for what came on."""
    local, after = zone(plant), until + dt.timedelta(days=1)
    still_on = Q(removed_at__isnull=True) | Q(removed_at__gt=day_begins(plant, since))
    rows = Fitting.objects.filter(still_on, machine__line__plant=plant, fitted_at__lt=day_begins(plant, after))
    # One span a fitting, the narrower of the two, so that the index of the days is asked once for each.
    fittings = rows.order_by().annotate(
        begins=Greatest(TruncDate("fitted_at", tzinfo=local), Value(since)),
        ends=Least(Coalesce(TruncDate("removed_at", tzinfo=local), Value(after)), Value(after)),
    )
    own = DayCount.objects.filter(machine=OuterRef("machine"), day__gte=OuterRef("begins"), day__lt=OuterRef("ends"))
    begun = own.order_by().values("machine").annotate(begun=Sum(F("cans") + F("spoiled"))).values("begun")
    found: dict[tuple[int, int], int] = defaultdict(int)
    for machine_id, set_id, cans in fittings.values_list("machine", "tooling_set", Subquery(begun)):
        found[machine_id, set_id] += cans or 0
    return dict(found)


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
