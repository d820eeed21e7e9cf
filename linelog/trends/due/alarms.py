"""Tear-off alarms, and those that a visit has answered already: it found every station in, and nothing came after."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from django.db.models import OuterRef, Q, Subquery

from linelog.alignment.models import Result, Visit
from linelog.alignment.standing import AS_FOUND
from linelog.alignment.values import standing
from linelog.calc.rates import Change, rate_ratio, rates_per_million
from linelog.calc.verdict import Verdict
from linelog.plant.models import Fitting, Machine, Station
from linelog.production.models import DayCount, Event
from linelog.trends.due.tracks import JOLTS

ALARM_DAYS = 7
#: Before a visit: the rate that it answered.
BEFORE_DAYS = 28


@dataclass(frozen=True, slots=True)
class Last:
    """The last signed visit of a machine: its id, when it was opened, and the production day that it lies in."""

    visit: int
    at: dt.datetime
    day: dt.date

    @classmethod
    def of(cls, machines: Mapping[int, dt.date | None]) -> dict[int, Last]:
        """Read those of machines, of each of which the production day of its last visit is given."""
        signed = Visit.objects.filter(machine=OuterRef("pk"), state=Visit.State.SIGNED).order_by("-opened_at", "-pk")
        rows = Machine.objects.filter(pk__in=list(machines)).order_by()
        read = rows.values_list("pk", Subquery(signed.values("pk")[:1]), Subquery(signed.values("opened_at")[:1]))
        return {pk: cls(visit, at, day) for pk, visit, at in read if visit and at and (day := machines[pk])}


@dataclass(frozen=True, slots=True)
class Alarm:
    """Tear-offs and cans of the last days since the visit, whose rate is beyond chance above the poor level."""

    torn: int
    made: int
    rate: float


def alarms(machines: Mapping[int, tuple[dt.date | None, float]], counted: dt.date) -> dict[int, Alarm]:
    """Return the machines in alarm; machines: the production day of the last visit and the poor level of each."""
    rows = DayCount.objects.filter(machine__in=list(machines), day__gt=counted - dt.timedelta(days=ALARM_DAYS))
    sums: dict[int, list[int]] = {}
    for pk, day, cans, spoiled, torn in rows.order_by().values_list("machine", "day", "cans", "spoiled", "tear_offs"):
        last = machines[pk][0]
        if last is None or day > last:
            one = sums.setdefault(pk, [0, 0])
            one[0] += torn
            one[1] += cans + spoiled
    counts = {pk: pair for pk, pair in sums.items() if pair[0] and pair[1]}
    if not counts:
        return {}
    exact = rates_per_million([torn for torn, _ in counts.values()], [made for _, made in counts.values()])
    return {
        pk: Alarm(torn, made, rate)
        for (pk, (torn, made)), low, rate in zip(counts.items(), exact.low.tolist(), exact.rate.tolist(), strict=True)
        if low > machines[pk][1]
    }


def answered(found: Mapping[int, Alarm], machines: Mapping[int, tuple[dt.date | None, float]]) -> set[int]:
    """Return the machines in alarm that say nothing new: their last visit found all in, at no lower rate.

    Anything that happened since (a jam, work, other tools), and a rate beyond chance above that of the weeks before
    the visit, is new.
    """
    asked = Last.of({pk: machines[pk][0] for pk in found})
    quiet = _found_in(asked) - _happened(asked)
    before = _before({pk: asked[pk] for pk in quiet})
    return {pk for pk in quiet if not _is_higher(found[pk], before.get(pk, (0, 0)))}


def _found_in(last: Mapping[int, Last]) -> set[int]:
    """Machines whose last visit swept every station in use and found each of them in."""
    stations: dict[int, set[int]] = {pk: set() for pk in last}
    rows = Station.objects.filter(machine__in=list(last), is_active=True).exclude(kind__in=Station.BUSHINGS)
    for machine, pk in rows.order_by().values_list("machine", "pk"):
        stations[machine].add(pk)
    results = Result.objects.filter(visit__in=[one.visit for one in last.values()], stage=AS_FOUND)
    by_visit: dict[int, dict[int, bool]] = {}
    for value in standing(results).values:
        seen = by_visit.setdefault(value.visit_id, {})
        seen[value.station_id] = seen.get(value.station_id, True) and value.verdict == Verdict.IN.value
    return {
        pk
        for pk, one in last.items()
        if stations[pk] and all(by_visit.get(one.visit, {}).get(station, False) for station in stations[pk])
    }


def _happened(last: Mapping[int, Last]) -> set[int]:
    """Machines on which something happened after their last visit."""
    after = [Q(machine=pk, at__gt=one.at) for pk, one in last.items()]
    fitted = [Q(machine=pk, fitted_at__gt=one.at) for pk, one in last.items()]
    if not after:
        return set()
    events = Event.objects.filter(_any(after), kind__in=JOLTS).values_list("machine", flat=True)
    return {*events, *Fitting.objects.filter(_any(fitted)).values_list("machine", flat=True)}


def _before(last: Mapping[int, Last]) -> dict[int, tuple[int, int]]:
    """Tear-offs and cans of the weeks up to the day of each last visit."""
    spans = [
        Q(machine=pk, day__gt=one.day - dt.timedelta(days=BEFORE_DAYS), day__lte=one.day) for pk, one in last.items()
    ]
    sums: dict[int, list[int]] = {}
    rows = DayCount.objects.filter(_any(spans)).order_by() if spans else DayCount.objects.none()
    for pk, cans, spoiled, torn in rows.values_list("machine", "cans", "spoiled", "tear_offs"):
        one = sums.setdefault(pk, [0, 0])
        one[0] += torn
        one[1] += cans + spoiled
    return {pk: (torn, made) for pk, (torn, made) in sums.items()}


def _any(parts: Sequence[Q]) -> Q:
    whole = Q()
    for part in parts:
        whole |= part
    return whole


def _is_higher(now: Alarm, before: tuple[int, int]) -> bool:
    torn, made = before
    return made == 0 or rate_ratio(now.torn, now.made, torn, made).change is Change.HIGHER
