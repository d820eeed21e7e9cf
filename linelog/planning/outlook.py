"""What is to be expected of each machine in the coming weeks: when it is due, for how long, what waiting costs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from linelog.alignment.models import Visit
from linelog.calc.drift import DueBy, chance_out
from linelog.calc.loss import Running, severities_ahead, weekly_excess
from linelog.calc.money import CostRates, cost_of
from linelog.planning import weeks as calendar
from linelog.planning.effect import Effects, effects_of
from linelog.plant.models import Machine, Plant, Station
from linelog.production.queries import Totals, fleet_day_counts, machine_totals
from linelog.trends import words
from linelog.trends.due.now import DAYS, Asked, facts_now
from linelog.trends.due.places import Place, Strokes
from linelog.trends.due.rule import Due, Facts, due
from linelog.trends.models import MachineDrift

AT_ITS_LIMIT = 1.0  # reckoned of a machine never measured, or of which nobody knows where it stands after a jolt
USUALLY_LEFT = 0.5  # worst severity after an alignment, where no visit says: no source
TOGETHER_DAYS = 28  # stations due within this of the first are opened in the same visit
HELD = (Station.Kind.REAR_BUSHING, Station.Kind.FRONT_BUSHING)  # opened for their own risk alone


@dataclass(frozen=True, slots=True)
class PlaceNow:
    """A place as it is expected to stand, with the strokes since it was left."""

    place: Place
    label: str
    done_million: float

    @property
    def chance(self) -> float | None:
        """The chance that it is out by now, None where no drift is known; worked out only where it is shown."""
        drift = self.place.drift
        if drift is None:
            return None
        return float(chance_out(drift, self.place.start, self.done_million, self.place.limit_um)[0])

    @property
    def left_million(self) -> float | None:
        """Strokes until the risk; negative where it has passed, None where it is not in sight."""
        return None if self.place.due_million is None else self.place.due_million - self.done_million


@dataclass(frozen=True, slots=True)
class Outlook:
    """A machine in the coming weeks. The losses are those of each week if it is left; `money` in the plant's own."""

    machine: Machine
    due: Due
    facts: Facts
    places: tuple[PlaceNow, ...]
    hours: float
    opens: tuple[str, ...]
    severity: float
    cans: tuple[float, ...]
    tear_offs: tuple[float, ...]
    money: tuple[float, ...]
    known: bool
    left_severity: float

    @property
    def reason(self) -> str:
        """Why it is due, in a sentence for an entry of the plan."""
        return self.due.why[:300]

    @property
    def a_week(self) -> float:
        """Expected loss of the first of the weeks."""
        return self.money[0] if self.money else 0.0


@dataclass(frozen=True, slots=True)
class Coming:
    """The outlook of a plant's machines by id, for some weeks, and on what the money rests."""

    plant: Plant
    weeks: tuple[dt.date, ...]
    today: dt.date
    machines: Mapping[int, Outlook]
    effects: Effects


def in_service(plant: Plant, today: dt.date) -> list[Machine]:
    """Return the plant's machines in service, by line and name."""
    rows = Machine.objects.filter(line__plant=plant).select_related("line__plant").order_by("line__name", "name")
    return [one for one in rows if one.out_of_service_on is None or one.out_of_service_on >= today]


def coming(
    plant: Plant, number: int, *, at: dt.datetime, seconds: float = 3.0, only: Machine | None = None
) -> Coming:
    """Read what is to be expected, in a number of queries that does not grow with the machines."""
    today = calendar.local_day(plant, at)
    machines = [only] if only else in_service(plant, today)
    for machine in machines:
        machine.line.plant = plant
    ids = [machine.pk for machine in machines]
    signed = Visit.objects.filter(machine__in=ids, state=Visit.State.SIGNED).order_by("opened_at")
    last = dict(signed.values_list("machine", "opened_at"))
    asked = [Asked(pk, plant, calendar.local_day(plant, last[pk]) if pk in last else None) for pk in ids]
    facts = facts_now(asked, at=at, seconds=seconds)
    made = Reckoning(plant, ids, number, today)
    found = {one.pk: made.outlook(one, facts[one.pk]) for one in machines}
    return Coming(plant, tuple(calendar.coming(today, number)), today, found, made.effects)


class Reckoning:
    """What the outlooks of a plant rest on, read once."""

    def __init__(self, plant: Plant, ids: Sequence[int], number: int, today: dt.date) -> None:
        self.plant, self.number, self.today = plant, number, today
        self.drifts = {row.machine_id: row for row in MachineDrift.objects.filter(machine__in=ids).order_by()}
        self.stations = {
            row.pk: row for row in Station.objects.filter(machine__in=ids, is_active=True).order_by("order")
        }
        self.places = {pk: [Place(**one) for one in row.places] for pk, row in self.drifts.items()}
        since = min((one.since for places in self.places.values() for one in places), default=today)
        counted = fleet_day_counts(ids, since, None)
        self.strokes = {
            pk: Strokes.of(counted.days.day[counted.machine_id == pk], counted.days.made[counted.machine_id == pk])
            for pk in ids
        }
        until = counted.days.day.max().astype(dt.date) if len(counted.days) else None
        self.totals = machine_totals(ids, until - dt.timedelta(days=DAYS - 1), until) if until else {}
        self.effects = effects_of(plant)
        usual = [row.left_severity for row in self.drifts.values() if row.left_severity is not None]
        self.usually_left = float(np.mean(usual)) if usual else USUALLY_LEFT

    def outlook(self, machine: Machine, facts: Facts) -> Outlook:
        """Put together what is to be expected of one machine."""
        found = due(facts, self.today)
        places = tuple(self._place_now(machine.pk, one) for one in self.places.get(machine.pk, ()))
        places = tuple(one for one in places if one.place.station in self.stations)
        totals = self.totals.get(machine.pk)
        a_day = totals.made / DAYS / 1e6 if totals else 0.0
        unknown = facts.last is None or found.by is DueBy.TRIGGER
        severities = self._severities(places, a_day, AT_ITS_LIMIT if unknown else 0.0)
        opens = self._opens(machine.pk, facts, found, places, a_day)
        row = self.drifts.get(machine.pk)
        after = row.left_severity if row and row.left_severity is not None else self.usually_left
        after = min(after, self.usually_left)
        cans, torn, money = self._losses(totals, severities, after)
        return Outlook(
            machine=machine,
            due=found,
            facts=facts,
            places=places,
            hours=self.plant.visit_base_hours + sum(station.hours_to_open for station in opens),
            opens=tuple(station.name for station in opens),
            severity=float(severities[0]),
            cans=cans,
            tear_offs=torn,
            money=money,
            known=totals is not None,
            left_severity=after,
        )

    def _place_now(self, machine: int, place: Place) -> PlaceNow:
        done = self.strokes[machine].between(place.since, dt.date.max)
        station = self.stations.get(place.station)
        label = words.place(station, place.seat) if station else ""
        return PlaceNow(place, f"{label}, running" if place.method == "running" else label, done)

    def _severities(self, places: Sequence[PlaceNow], a_day: float, least: float) -> np.ndarray:
        """Severity of the worst place now and in the middle of each week, shape (1 + weeks,)."""
        ahead = np.concatenate([[0.0], (np.arange(self.number) + 0.5) * 7.0]) * a_day
        if not places:
            return np.full(1 + self.number, least)
        strokes = np.array([[one.done_million] for one in places]) + ahead
        grown = severities_ahead([one.place.ahead for one in places], strokes)
        return np.asarray(np.maximum(grown.max(axis=0), least))

    def _opens(
        self, machine: int, facts: Facts, found: Due, places: Iterable[PlaceNow], a_day: float
    ) -> list[Station]:
        """Stations that a visit opens: those due within four weeks of the first, or all where nobody knows."""
        own = [station for station in self.stations.values() if station.machine_id == machine]
        if facts.last is None or found.by is DueBy.TRIGGER:
            worked_on = any("work" in trigger.what for trigger in facts.triggers)
            return [station for station in own if worked_on or facts.last is None or station.kind not in HELD]
        left = {one.place.station: one.left_million for one in places if one.left_million is not None}
        days = max(((found.on or self.today) - self.today).days, 0) + TOGETHER_DAYS
        soon = {pk for pk, million in left.items() if million is not None and million <= days * a_day}
        return [station for station in own if station.pk in soon]

    def _losses(
        self, totals: Totals | None, severities: np.ndarray, after: float
    ) -> tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]:
        if totals is None or totals.made == 0:
            nothing = (0.0,) * self.number
            return nothing, nothing, nothing
        week = totals.made / DAYS * 7.0 / 1e6
        excess = []
        for count, ratio in ((totals.spoiled, self.effects.spoilage), (totals.tear_offs, self.effects.tear_offs)):
            running = Running(1e6 * count / totals.made, float(severities[0]), week)
            excess.append(weekly_excess(running, severities[1:], after=after, ratio=ratio))
        rates = CostRates(self.plant.can_cost, self.plant.tear_off_clear_minutes, self.plant.minute_value)
        money = tuple(cost_of(float(cans), float(torn), rates).total for cans, torn in zip(*excess, strict=True))
        return tuple(excess[0].tolist()), tuple(excess[1].tolist()), money
