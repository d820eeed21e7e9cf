"""Wall samples, what the tool packs were measured at and what moved them: so many queries for however many machines.

What the plant's ratio rests on is chosen here, for its sums and for the state of the log alike.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection

from django.db.models import Exists, OuterRef, QuerySet

from linelog.alignment.models import MoveMade, Result, Visit
from linelog.alignment.standing import AS_LEFT, Value
from linelog.alignment.values import standing
from linelog.plant.models import Fitting, Machine, Station
from linelog.production.models import Event, WallRing, WallSample
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


def samples(machines: Collection[int], since: dt.datetime) -> QuerySet[WallSample]:
    """Return the wall samples of some machines since a time."""
    return WallSample.objects.filter(machine__in=machines, taken_at__gte=since)


def signed(machines: Collection[int], since: dt.datetime) -> QuerySet[Visit]:
    """Return the signed visits of some machines that were opened since a time."""
    return Visit.objects.filter(machine__in=machines, state=Visit.State.SIGNED, opened_at__gte=since)


def moves(machines: Collection[int], since: dt.datetime) -> QuerySet[MoveMade]:
    """Return the moves since a time that shift a tool pack or the ram line, signed or not yet."""
    made = MoveMade.objects.filter(station__machine__in=machines, station__kind__in=MOVES_THE_LINE, at__gte=since)
    return made.exclude(visit__state=Visit.State.DROPPED)


def fittings(machines: Collection[int], since: dt.datetime) -> QuerySet[Fitting]:
    """Return the tooling sets that were fitted since a time."""
    return Fitting.objects.filter(machine__in=machines, fitted_at__gte=since)


def upsets(machines: Collection[int], since: dt.datetime) -> QuerySet[Event]:
    """Return the events since a time that may have moved a tool pack or the ram line."""
    return Event.objects.filter(machine__in=machines, kind__in=UPSETS, at__gte=since)


def lowest_walls(machines: Collection[int], since: dt.datetime) -> list[WallPoint]:
    """Return the lowest height of every sample of some machines since a time, in the order of time."""
    lower = WallRing.objects.filter(sample=OuterRef("sample"), height_mm__lt=OuterRef("height_mm"))
    rows = WallRing.objects.filter(~Exists(lower), sample__in=samples(machines, since))
    return [WallPoint(*row) for row in rows.order_by("sample__taken_at", "sample_id").values_list(*COLUMNS)]


def pack_offsets(machines: Collection[int], since: dt.datetime) -> list[PackOffset]:
    """Return what each signed visit to some machines left their tool packs at, static and running apart.

    Of a pack with two seats the front one counts: the last ironing die, which makes the final wall, sits there.
    """
    packs = Station.objects.filter(machine__in=machines, kind=Station.Kind.TOOL_PACK, is_active=True)
    of_machine = dict(packs.values_list("pk", "machine_id"))
    visits = signed(machines, since)
    results = Result.objects.filter(station__in=of_machine, visit__in=visits)
    values: dict[tuple[int, int, str], list[Value]] = defaultdict(list)
    for value in standing(results).values:
        values[value.visit_id, value.station_id, value.method].append(value)
    ended = {pk: at for pk, at in visits.values_list("pk", "signed_at") if at is not None}
    found = [_left(of_visit, of_machine, ended) for _, of_visit in sorted(values.items(), key=lambda one: one[0])]
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


def disturbances(machines: Collection[int], since: dt.datetime) -> list[Disturbance]:
    """Return what may have moved a tool pack or the ram line of some machines since it was measured."""
    moved = moves(machines, since).values_list("station__machine_id", "at", "station__name")
    tools = fittings(machines, since).values_list("machine_id", "fitted_at", "tooling_set__name")
    events = upsets(machines, since).values_list("machine_id", "at", "kind")
    found = [Disturbance(of, at, f"{name} moved") for of, at, name in moved]
    found += [Disturbance(of, at, f"tools changed to {name}") for of, at, name in tools]
    found += [Disturbance(of, at, Event.Kind(kind).label.lower()) for of, at, kind in events]
    return sorted(found, key=lambda one: one.at)


def mounted_now(machine: Machine) -> Fitting | None:
    """Return the fitting of the set that is on a machine, with its parts."""
    rows = Fitting.objects.filter(machine=machine, removed_at__isnull=True)
    return rows.select_related("tooling_set").prefetch_related("tooling_set__parts").first()
