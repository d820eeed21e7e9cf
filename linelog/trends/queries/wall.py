"""Wall samples of a machine and its plant, and what the tool packs were measured at: a fixed number of queries."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict

from django.db.models import Exists, OuterRef

from linelog.alignment.models import MoveMade, Result, Visit
from linelog.alignment.standing import AS_LEFT, Value
from linelog.alignment.values import standing
from linelog.plant.models import Fitting, Machine, Station
from linelog.production.models import Event, WallRing
from linelog.trends.wall_pairs import Disturbance, PackOffset, WallPoint

# What moves the tool pack, or the ram line that it is measured from.
MOVES_THE_LINE = (Station.Kind.TOOL_PACK, Station.Kind.FRONT_BUSHING, Station.Kind.REAR_BUSHING)
UPSETS = (Event.Kind.CRASH, Event.Kind.RAM_WORK, Event.Kind.BUSHING_WORK, Event.Kind.CRADLE_WORK)
COLUMNS = (
    "sample_id",
    "sample__machine_id",
    "sample__taken_at",
    "sample__can",
    "sample__tooling_set__name",
    "height_mm",
    "mean_um",
    "x_um",
    "y_um",
    "size_um",
    "expanded_um",
    "thin_deg",
    "thin_within_deg",
    "judged_um",
    "state",
)
FRONT_FIRST = ("front", "", "rear")


def machine_walls(machine: Machine, since: dt.datetime) -> list[WallPoint]:
    """Return every height of every sample of a machine since a time, in the order of time and height."""
    rows = WallRing.objects.filter(sample__machine=machine, sample__taken_at__gte=since)
    ordered = rows.order_by("sample__taken_at", "sample_id", "height_mm")
    return [WallPoint(*row) for row in ordered.values_list(*COLUMNS)]


def plant_walls(machine: Machine, since: dt.datetime) -> list[WallPoint]:
    """Return the lowest height of every sample of the machine's plant since a time."""
    lower = WallRing.objects.filter(sample=OuterRef("sample"), height_mm__lt=OuterRef("height_mm"))
    plant = machine.line.plant_id
    rows = WallRing.objects.filter(~Exists(lower), sample__machine__line__plant=plant, sample__taken_at__gte=since)
    return [WallPoint(*row) for row in rows.order_by("sample__taken_at", "sample_id").values_list(*COLUMNS)]


def pack_offsets(machine: Machine, since: dt.datetime) -> list[PackOffset]:
    """Return what each signed visit of the plant left its tool packs at, static and running apart.

    Of a pack with two seats the front one counts: the last ironing die, which makes the final wall, sits there.
    """
    packs = Station.objects.filter(machine__line__plant=machine.line.plant_id, kind=Station.Kind.TOOL_PACK)
    machines = dict(packs.filter(is_active=True).values_list("pk", "machine_id"))
    signed = Visit.objects.filter(state=Visit.State.SIGNED, opened_at__gte=since)
    results = Result.objects.filter(station__in=machines, visit__in=signed)
    values: dict[tuple[int, int, str], list[Value]] = defaultdict(list)
    for value in standing(results).values:
        values[value.visit_id, value.station_id, value.method].append(value)
    of_plant = signed.filter(machine__line__plant=machine.line.plant_id).values_list("pk", "signed_at")
    ended = {pk: at for pk, at in of_plant if at is not None}
    found = [_left(of_visit, machines, ended) for of_visit in values.values()]
    return sorted(found, key=lambda offset: offset.at)


def _left(values: list[Value], machines: dict[int, int], ended: dict[int, dt.datetime]) -> PackOffset:
    """Return the last word of a visit on a pack: as left before as found, the front seat before the rear."""
    last = min(values, key=lambda value: (value.stage != AS_LEFT, FRONT_FIRST.index(value.seat)))
    return PackOffset(
        visit_id=last.visit_id,
        machine_id=machines[last.station_id],
        method=last.method,
        at=ended[last.visit_id],
        x_um=last.x_um,
        y_um=last.y_um,
        expanded_um=last.expanded_um,
    )


def disturbances(machine: Machine, since: dt.datetime) -> list[Disturbance]:
    """Return what may have moved a tool pack or the ram line since it was measured, of the whole plant."""
    plant = machine.line.plant_id
    moves = (
        MoveMade.objects.filter(visit__machine__line__plant=plant, station__kind__in=MOVES_THE_LINE, at__gte=since)
        .exclude(visit__state=Visit.State.DROPPED)
        .values_list("visit__machine_id", "at", "station__name")
    )
    fitted = Fitting.objects.filter(machine__line__plant=plant, fitted_at__gte=since)
    tools = fitted.values_list("machine_id", "fitted_at", "tooling_set__name")
    events = Event.objects.filter(machine__line__plant=plant, kind__in=UPSETS, at__gte=since)
    found = [Disturbance(of, at, f"{name} moved") for of, at, name in moves]
    found += [Disturbance(of, at, f"tools changed to {name}") for of, at, name in tools]
    found += [
        Disturbance(of, at, Event.Kind(kind).label.lower())
        for of, at, kind in events.values_list("machine_id", "at", "kind")
    ]
    return sorted(found, key=lambda one: one.at)


def mounted_now(machine: Machine) -> Fitting | None:
    """Return the fitting of the set that is on a machine, with its parts."""
    rows = Fitting.objects.filter(machine=machine, removed_at__isnull=True)
    return rows.select_related("tooling_set").prefetch_related("tooling_set__parts").first()
