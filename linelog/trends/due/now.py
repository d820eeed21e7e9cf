"""When each machine is due as things stand: the stored drift, the strokes since, and what happened since."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from django.db.models import F, OuterRef, QuerySet, Subquery, Sum

from linelog.alignment.models import Visit
from linelog.alignment.results.now import statuses_now
from linelog.alignment.results.status import StationStatus
from linelog.alignment.results.worn import Worn, worn_now
from linelog.calc.station_state import State
from linelog.plant.models import Machine, Plant, Station
from linelog.production.days import local_day, production_day
from linelog.production.models import DayCount, Event, WallRing
from linelog.production.queries import Totals, machine_totals
from linelog.trends import words
from linelog.trends.due.alarms import ALARM_DAYS, alarms, answered
from linelog.trends.due.kept import Kept, kept_of
from linelog.trends.due.rule import Facts, Risk, StandsOut, Trigger
from linelog.trends.due.tracks import JOLTS

DAYS = 28  # over which the strokes a day are taken


@dataclass(frozen=True, slots=True)
class Asked:
    """A machine of which it is asked when it is due: its plant, and the day of its last signed visit.

    last     by the wall clock, as a person would name it
    counted  the production day that the visit lies in, which before the day's start is the day before
    """

    pk: int
    plant: Plant
    last: dt.date | None
    counted: dt.date | None = None

    @classmethod
    def of(cls, pk: int, plant: Plant, opened: dt.datetime | None) -> Asked:
        """Ask of a machine whose last signed visit was opened then."""
        if opened is None:
            return cls(pk, plant, None)
        return cls(pk, plant, local_day(plant, opened), production_day(plant, opened))


@dataclass(frozen=True, slots=True)
class Now:
    """What the rule looks at of each machine, and the counts that it rests on, for those who reckon on with them.

    counted  the plant's last production day of which anything is known; totals: sums of the 28 days up to it
    cans     begun after the day on which the place that is due first was left
    stand    how the stations in use of each machine stand, in the order along the ram
    worn     the bushings of each machine that are worn out, the worst first
    kept     the stored drift of each machine
    """

    facts: dict[int, Facts]
    counted: dt.date | None
    totals: dict[int, Totals]
    cans: dict[int, int]
    stand: dict[int, list[StationStatus]]
    worn: dict[int, list[Worn]]
    kept: Kept


def facts_now(asked: Sequence[Asked], *, at: dt.datetime) -> Now:
    """Return what the rule looks at, in a number of queries that does not grow with the machines."""
    ids = [one.pk for one in asked]
    kept = kept_of(ids)
    # Of the plant, not of the machines asked about: else one alone would be held against other days than with others.
    rows = DayCount.objects.filter(machine__line__plant__in={one.plant.pk for one in asked})
    counted = rows.order_by("-day").values_list("day", flat=True).first()
    totals = machine_totals(ids, counted - dt.timedelta(days=DAYS - 1), counted) if counted else {}
    cans = _cans_since_left(ids)
    risks = _risks(asked, kept, counted, totals, cans) if counted else {}
    triggers = triggers_now(asked, counted)
    stand = statuses_now(Station.objects.filter(machine__in=ids, is_active=True), at)
    worn = worn_now(ids, at)
    facts = {
        one.pk: Facts(
            one.last,
            one.plant.longest_interval_days,
            risks.get(one.pk),
            [trigger for trigger in triggers.get(one.pk, ()) if trigger.answered_on is None],
            *_wrong(stand.get(one.pk, ()), worn.get(one.pk, ()), one.plant),
            next((trigger for trigger in triggers.get(one.pk, ()) if trigger.answered_on), None),
            one.pk in kept.overtaken,
        )
        for one in asked
    }
    return Now(facts, counted, totals, cans, stand, worn, kept)


def _wrong(
    stand: Sequence[StationStatus], worn: Sequence[Worn], plant: Plant
) -> tuple[list[StandsOut], list[StandsOut]]:
    """Return what is out, and the stations that are probably out when running, the worst first.

    Worn bushings stand before all: every station is measured from the line that they carry.
    """
    out = [
        StandsOut(one.station.pk, str(one.station), "worn out", one.severity, local_day(plant, one.clearance.at))
        for one in worn
    ]
    probably: list[StandsOut] = []
    for one in sorted(stand, key=lambda status: status.worst_key):
        if one.figure is not None and (one.is_out or one.state is State.PROBABLY_OUT):
            since = local_day(plant, one.figure.value.visit_at)
            place = words.place(one.station, one.figure.seat)
            found = StandsOut(one.station.pk, place, one.word, one.severity or 0.0, since)
            (out if one.is_out else probably).append(found)
    return out, probably


def _risks(
    asked: Sequence[Asked], kept: Kept, counted: dt.date, totals: dict[int, Totals], cans: dict[int, int]
) -> dict[int, Risk]:
    """Return the risks that are known: none of a machine whose log has gone on since."""
    found = {}
    for one in asked:
        row, sums = kept.rows.get(one.pk), totals.get(one.pk)
        if row is None or row.due_million is None or one.pk in kept.overtaken:
            continue
        left = row.due_million - cans.get(one.pk, 0) / 1e6
        a_day = sums.made / DAYS / 1e6 if sums else None
        percent = one.plant.machine_risk_percent
        found[one.pk] = Risk(row.driver_place, percent, left, a_day, counted, as_left=row.due_million == 0.0)
    return found


def _cans_since_left(ids: list[int]) -> dict[int, int]:
    rows = DayCount.objects.filter(machine__in=ids, day__gt=F("machine__drift__since")).order_by()
    return dict(rows.values_list("machine").annotate(made=Sum(F("cans") + F("spoiled"))))


def triggers_now(asked: Sequence[Asked], counted: dt.date | None) -> dict[int, list[Trigger]]:
    """Return what makes machines due at once, by machine: what happened after the last signed visit."""
    by_pk = {one.pk: one for one in asked}
    found: dict[int, list[Trigger]] = defaultdict(list)
    # From the machines outward, so that the time of the visit is looked up once for each, not once for every event.
    machines = Machine.objects.filter(pk__in=list(by_pk)).annotate(last_at=last_visit_at())
    jolts = machines.filter(events__kind__in=JOLTS, events__at__gt=F("last_at")).order_by("events__at", "events__pk")
    for pk, at, kind, note in jolts.values_list("pk", "events__at", "events__kind", "events__note"):
        found[pk].append(Trigger(local_day(by_pk[pk].plant, at), Event.Kind(kind).label, note, is_jolt=True))
    for pk, trigger in [*_wall_alarms(by_pk, machines), *(_tear_off_alarms(asked, counted) if counted else ())]:
        found[pk].append(trigger)
    return found


def last_visit_at() -> Subquery:
    """When the last signed visit of each machine of a query was opened; null where there is none."""
    signed = Visit.objects.filter(machine=OuterRef("pk"), state=Visit.State.SIGNED).order_by("-opened_at")
    return Subquery(signed.values("opened_at")[:1])


def _wall_alarms(by_pk: dict[int, Asked], machines: QuerySet[Machine]) -> Iterable[tuple[int, Trigger]]:
    """Machines whose newest can since the visit varies so much round its wall that the plant wants something done."""
    cans = machines.filter(wall_samples__taken_at__gt=F("last_at"), wall_samples__rings__isnull=False)
    rings = cans.order_by("wall_samples__taken_at", "wall_samples__rings__judged_um").values_list(
        "pk", "wall_samples__taken_at", *(f"wall_samples__rings__{name}" for name in ("state", "judged_um", "act_um"))
    )
    newest = {pk: ring for pk, *ring in rings}
    for pk, (at, state, judged_um, act_um) in newest.items():
        if state == WallRing.State.ACT:
            day = local_day(by_pk[pk].plant, at)
            yield pk, Trigger(day, "Wall alarm", f"round a can {judged_um / act_um:.2f} of the plant's level to act")


def _tear_off_alarms(asked: Sequence[Asked], counted: dt.date) -> Iterable[tuple[int, Trigger]]:
    """Machines whose tear-offs of the last week since the visit are above the plant's poor level beyond chance."""
    poor = {one.pk: (one.counted or one.last, one.plant.tear_off_poor_per_million) for one in asked}
    found = alarms(poor, counted)
    quiet = answered(found, poor) if found else set()
    for pk, alarm in found.items():
        note = f"{alarm.rate:.0f} per million in the last {ALARM_DAYS} days, beyond chance above {poor[pk][1]:g}"
        yield pk, Trigger(counted, "Tear-off alarm", note, answered_on=poor[pk][0] if pk in quiet else None)
