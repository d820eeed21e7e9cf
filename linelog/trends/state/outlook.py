"""The state of each machine: how it stands, when it is due, what work that is, what the coming weeks of waiting cost.

Every page that says something of these asks here, so that no two pages disagree.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from django.db.models import Avg

from linelog.alignment.results.now import worst_of
from linelog.alignment.results.status import StationStatus
from linelog.alignment.results.worn import Worn
from linelog.calc.loss import MOST_SEVERE, excess_ahead, severities_ahead
from linelog.calc.money import CostRates, cost_of
from linelog.calc.wander.said import any_out
from linelog.plant.models import Machine, Plant, Station
from linelog.production import weeks as calendar
from linelog.production.days import local_day, production_day
from linelog.production.queries import Totals
from linelog.trends import words
from linelog.trends.due.now import DAYS, Asked, Now, facts_now, last_visit_at
from linelog.trends.due.places import Place, chance_words, machine_chance_words
from linelog.trends.due.read import strokes_of
from linelog.trends.due.rule import Due, Facts, due
from linelog.trends.due.tracks import Strokes
from linelog.trends.models import MachineDrift, RepeatProblem
from linelog.trends.ranking.yardstick import Against, against
from linelog.trends.state.besides import coming_back, happened_lately
from linelog.trends.state.effect import Effects, effects_of
from linelog.trends.state.planned import Planned, planned
from linelog.trends.state.work import StationRow, Work, work_of

AT_ITS_LIMIT = 1.0  # reckoned of a machine never measured, or of which nobody knows where it stands after a jolt
USUALLY_LEFT = 0.5  # worst severity after an alignment, where no visit says: no source
LEAST_TOLD = 1.0  # of the plant's money a week
TOGETHER_DAYS = 28  # stations due within this of the first are opened in the same visit


@dataclass(frozen=True, slots=True)
class PlaceNow:
    """A place as it is expected to stand, with the strokes since it was left."""

    place: Place
    station: StationRow
    done_million: float

    @property
    def label(self) -> str:
        """The station, its seat where it has two, and how it was measured if not at rest."""
        name = words.place(self.station, self.place.seat)
        return f"{name}, running" if self.place.method == "running" else name

    @property
    def chance(self) -> float | None:
        """The chance that it is out by now, None where it is not known."""
        return float(self.chances(np.zeros(1))[0]) if self.place.is_known else None

    @property
    def chance_words(self) -> str:
        """The chance as it is read."""
        return chance_words(self.chance, self.place.surest)

    @property
    def surest_words(self) -> str:
        """The chance beyond which no figure is told, as it is read."""
        return f"{100.0 * self.place.surest:.0f} %"

    def chances(self, ahead_million: np.ndarray) -> np.ndarray:
        """Return the chance that it is out after strokes from now; it must be known."""
        return self.place.chance_after(self.done_million + ahead_million)

    @property
    def left_million(self) -> float | None:
        """Strokes until the plant's risk of a station; negative where it has passed, None where not in sight."""
        return None if self.place.due_million is None else self.place.due_million - self.done_million


@dataclass(frozen=True, slots=True)
class MachineState:
    """A machine at a moment and in the coming weeks; losses are of each week if it is left, in the plant's money.

    severity     of the worst station as measured at rest: the effect on the counts is known of that alone
    together     how much its places go out together (`calc.wander.said.any_out`)
    known        whether there are counts to reckon with; is_shown: whether the plant's own counts show an effect
    explained    how many times the tear-offs of an aligned machine its misalignment explains, at the most
    against      its tear-offs against the fleet, None where nothing is ranked
    totals       its counts of the last weeks, None where there are none
    comes_back   the repeat problems that somebody should take up
    planned      its open entry in the plan
    """

    machine: Machine
    due: Due
    facts: Facts
    places: tuple[PlaceNow, ...]
    together: float
    work: Work
    severity: float
    cans: tuple[float, ...]
    tear_offs: tuple[float, ...]
    money: tuple[float, ...]
    known: bool
    is_shown: bool
    explained: float
    left_severity: float
    stand: tuple[StationStatus, ...]
    worn: tuple[Worn, ...]
    against: Against | None
    comes_back: tuple[RepeatProblem, ...]
    happened: tuple[str, ...]
    planned: Planned | None
    totals: Totals | None

    @property
    def chance(self) -> float | None:
        """The chance that any of its stations is out by now, None where none is known."""
        known = [one for one in self.places if one.place.is_known]
        return float(self.chances(np.zeros(1))[0]) if known else None

    @property
    def chance_words(self) -> str:
        """The same as it is read."""
        most = max((one.place.surest for one in self.places if one.place.is_known), default=1.0)
        return machine_chance_words(self.chance, most)

    def chances(self, ahead_million: np.ndarray) -> np.ndarray:
        """Return the chance that any of its stations is out after strokes from now; one must be known."""
        known = [one.chances(ahead_million) for one in self.places if one.place.is_known]
        return any_out(np.array(known), self.together)

    @property
    def hours(self) -> float:
        """Of the next visit."""
        return self.work.hours

    @property
    def opens(self) -> tuple[str, ...]:
        """The stations that the next visit opens."""
        return self.work.opens

    @property
    def pays_from(self) -> tuple[str, ...]:
        """What a visit should put right though it is in, and from which share of its limit on.

        Told only where the plant's own counts show an effect: nobody opens what is in for an assumption.
        """
        if not self.is_shown or self.facts.overtaken:
            return ()
        out, swept = {one.station for one in self.facts.out}, set(self.work.sweeps)
        return tuple(
            f"{one.label} from {one.place.beyond:.1f} of its limit"
            for one in self.places
            if one.place.beyond is not None
            and one.place.beyond < 1.0
            and one.place.method != "running"
            and one.place.station not in out
            and one.station.name in swept
        )

    @property
    def worst(self) -> StationStatus | None:
        """The worst of its stations that were measured."""
        return worst_of(self.stand)

    @property
    def is_out(self) -> bool:
        """Whether a station or a bushing is proven out."""
        return bool(self.facts.out)

    @property
    def a_week_known(self) -> float | None:
        """What a week of waiting is expected to cost where the plant's own counts tell it; else None.

        They tell it of what was measured at rest: what a machine loses that is out when running alone, nobody knows.
        """
        if not (self.known and self.is_shown) or self.facts.overtaken:
            return None
        return None if self.is_out and self.a_week < LEAST_TOLD else self.a_week

    @property
    def a_week_told(self) -> int | None:
        """The same in whole units of the plant's money, as every page writes it."""
        return None if self.a_week_known is None else round(self.a_week_known)

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
    machines: Mapping[int, MachineState]
    effects: Effects


@dataclass(frozen=True, slots=True)
class WeekTold:
    """What the coming week of waiting costs on the pages of machines, added up as they write it, and of how many."""

    amount: int
    machines: int

    def __bool__(self) -> bool:
        return self.machines > 0


def week_told(states: Iterable[MachineState]) -> WeekTold:
    """Add up what the machines' own pages say."""
    told = [one.a_week_told for one in states if one.a_week_told is not None]
    return WeekTold(sum(told), len(told))


def in_service(plant: Plant, today: dt.date) -> list[Machine]:
    """Return the plant's machines in service, by line and name."""
    rows = Machine.objects.filter(line__plant=plant).select_related("line").order_by("line__name", "name")
    return [one for one in rows if one.out_of_service_on is None or one.out_of_service_on >= today]


def coming(plant: Plant, number: int, *, at: dt.datetime, only: Machine | None = None) -> Coming:
    """Read what is to be expected, in a number of queries that does not grow with the machines."""
    today = local_day(plant, at)
    machines = [only] if only else in_service(plant, today)
    for machine in machines:
        machine.line.plant = plant
    ids = [machine.pk for machine in machines]
    last = Machine.objects.filter(pk__in=ids).order_by().values_list("pk", last_visit_at())
    asked = [Asked.of(pk, plant, opened) for pk, opened in last]
    made = Reckoning(plant, ids, number, at, facts_now(asked, at=at))
    found = made.outlooks(machines)
    return Coming(plant, tuple(calendar.coming(today, number)), today, found, made.effects)


class Reckoning:
    """What the outlooks of a plant rest on, read once."""

    def __init__(self, plant: Plant, ids: Sequence[int], number: int, at: dt.datetime, now: Now) -> None:
        self.plant, self.number, self.now = plant, number, now
        self.today, self.producing = local_day(plant, at), production_day(plant, at)
        self.drifts = now.kept.rows
        self.stations: dict[int, dict[int, StationRow]] = {pk: {} for pk in ids}
        stations = Station.objects.filter(machine__in=ids, is_active=True).order_by("order")
        for row in stations.values_list("machine", "pk", "name", "kind", "hours_to_open", "rear_z_mm"):
            self.stations[row[0]][row[1]] = StationRow(*row)
        self.places = {
            pk: [one for one in self._kept_places(row) if one.station in self.stations[pk]]
            for pk, row in self.drifts.items()
        }
        self.strokes = self._strokes()
        self.totals = now.totals
        self.effects = effects_of(plant)
        # Of all its machines, also where one alone is asked about: every page must say the same.
        usual = MachineDrift.objects.filter(machine__line__plant=plant).aggregate(mean=Avg("left_severity"))["mean"]
        self.usually_left = USUALLY_LEFT if usual is None else float(usual)
        self.against, self.comes_back, self.planned = against(plant), coming_back(ids), planned(ids)
        self.happened = happened_lately(
            {pk for pk, one in self.against.items() if one.much_more}
            | {pk for pk, one in now.facts.items() if one.torn_in_line},
            self.today,
        )

    def _kept_places(self, row: MachineDrift) -> list[Place]:
        places = [Place.of(one) for one in row.places]
        is_overtaken = self.now.facts[row.machine_id].overtaken
        return [one.overtaken() for one in places] if is_overtaken else places

    def _strokes(self) -> dict[int, Strokes]:
        """Strokes by day of machines whose places were not all left on one day: those of the others are added up."""
        mixed = [pk for pk, own in self.places.items() if any(one.since != self.drifts[pk].since for one in own)]
        since = min((one.since for pk in mixed for one in self.places[pk]), default=self.today)
        return strokes_of(mixed, since)

    def _done(self, machine: int, since: dt.date) -> float:
        """Million strokes of a machine after a day."""
        strokes = self.strokes.get(machine)
        return strokes.between(since, dt.date.max) if strokes else self.now.cans.get(machine, 0) / 1e6

    def outlooks(self, machines: Sequence[Machine]) -> dict[int, MachineState]:
        """Put together what is to be expected of the machines: the sums of all of them at once."""
        ids, facts = [one.pk for one in machines], self.now.facts
        dues = {pk: due(facts[pk], self.today, self.producing) for pk in ids}
        places = {pk: self._places_now(pk) for pk in ids}
        unknown = [self._unknown(pk) for pk in ids]
        severities = self._severities(places, unknown)
        ruling = [
            self._severities(places, unknown, of) for of in (self.effects.spoilage_of, self.effects.tear_offs_of)
        ]
        after = np.array([self._after(pk) for pk in ids])
        cans, torn, money = (rows.tolist() for rows in self._losses(ids, ruling, after))
        found = {}
        for number, machine in enumerate(machines):
            pk = machine.pk
            found[pk] = MachineState(
                machine=machine,
                due=dues[pk],
                facts=facts[pk],
                places=places[pk],
                together=self.drifts[pk].together if pk in self.drifts else 0.0,
                work=self._work(pk, dues[pk], places[pk]),
                severity=float(severities[number, 0]),
                cans=tuple(cans[number]),
                tear_offs=tuple(torn[number]),
                money=tuple(money[number]),
                known=pk in self.totals,
                is_shown=self.effects.shown,
                explained=self._explained(pk, ruling[1][number, 0], after[number]),
                left_severity=float(after[number]),
                stand=tuple(self.now.stand.get(pk, ())),
                worn=tuple(self.now.worn.get(pk, ())),
                against=self.against.get(pk),
                comes_back=self.comes_back.get(pk, ()),
                happened=self.happened.get(pk, ()),
                planned=self.planned.get(pk),
                totals=self.totals.get(pk),
            )
        return found

    def _unknown(self, pk: int) -> bool:
        """Whether nobody knows where the stations stand: never measured, or jolted since."""
        facts = self.now.facts[pk]
        return facts.last is None or any(one.is_jolt for one in facts.triggers)

    def _after(self, machine: int) -> float:
        """Worst severity at which an alignment usually leaves it; that of the plant's machines where none did yet."""
        row = self.drifts.get(machine)
        own = row.left_severity if row else None
        return self.usually_left if own is None else own

    def _a_day(self, machine: int) -> float:
        totals = self.totals.get(machine)
        return totals.made / DAYS / 1e6 if totals else 0.0

    def _places_now(self, machine: int) -> tuple[PlaceNow, ...]:
        done: dict[str, float] = {}
        found = []
        for place in self.places.get(machine, ()):
            if place.left_on not in done:
                done[place.left_on] = self._done(machine, place.since)
            found.append(PlaceNow(place, self.stations[machine][place.station], done[place.left_on]))
        return tuple(found)

    def _severities(
        self, places: Mapping[int, Sequence[PlaceNow]], unknown: Sequence[bool], kinds: Sequence[str] = ()
    ) -> np.ndarray:
        """Severity of each machine's worst place now and in the middle of each week, shape (machines, 1 + weeks).

        kinds  of station that count; none: all of them
        """
        if kinds:
            places = {pk: [one for one in own if one.station.kind in kinds] for pk, own in places.items()}
        days = np.concatenate([[0.0], (np.arange(self.number) + 0.5) * 7.0])
        worst = np.where(np.array(unknown, dtype=bool)[:, None], AT_ITS_LIMIT, np.zeros(len(days)))
        of = np.repeat(np.arange(len(places)), [len(own) for own in places.values()])
        if len(of):
            flat = [one for own in places.values() for one in own]
            a_day = np.array([self._a_day(pk) for pk in places])[of]
            strokes = np.array([one.done_million for one in flat])[:, None] + a_day[:, None] * days
            np.maximum.at(worst, of, severities_ahead([one.place.ahead for one in flat], strokes))
        return worst

    def _work(self, pk: int, found: Due, places: Iterable[PlaceNow]) -> Work:
        """Return the work of the next visit; a check by risk sweeps what reaches it about when the first does."""
        ahead = max(((found.on or self.today) - self.today).days, 0)
        left = ((one.place.station, one.left_million) for one in places)
        million = (ahead + TOGETHER_DAYS) * self._a_day(pk)
        soon = {key for key, until in left if until is not None and until <= million}
        return work_of(self.plant, self.now.facts[pk], found, self.stations[pk].values(), soon)

    def _explained(self, pk: int, severity: float, after: float) -> float:
        """Return how many times the tear-offs of an aligned machine its misalignment explains, at the most."""
        kinds = self.effects.tear_offs_of
        out = [
            one.severity or 0.0
            for one in self.now.stand.get(pk, ())
            if one.is_out and (not kinds or one.station.kind in kinds)
        ]
        worst = min(max([float(severity), *out]), MOST_SEVERE)
        return float(self.effects.tear_offs ** max(worst - after, 0.0))

    def _losses(
        self, ids: Sequence[int], ruling: Sequence[np.ndarray], after: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Cans, tear-offs and money lost in each week if each machine is left, shape (machines, weeks).

        ruling  severity of the stations that spoilage goes with, and of those that tear-offs go with
        """
        lost = np.zeros((2, len(ids), self.number))
        # Of a machine whose log has gone on since its places were worked out nothing is known.
        counts = [None if self.now.facts[pk].overtaken else self.totals.get(pk) for pk in ids]
        at = [number for number, one in enumerate(counts) if one is not None and one.made > 0]
        made = np.array(
            [[one.made, one.spoiled, one.tear_offs] for one in counts if one is not None and one.made > 0]
        )
        if at:
            weekly = made[:, 0] / DAYS * 7.0 / 1e6
            for number, ratio in ((0, self.effects.spoilage), (1, self.effects.tear_offs)):
                ahead = ruling[number][at]
                rows = np.column_stack([1e6 * made[:, 1 + number] / made[:, 0], ahead[:, 0], weekly, after[at]])
                lost[number, at] = excess_ahead(rows, ahead[:, 1:], ratio=ratio)
        rates = CostRates(self.plant.can_cost, self.plant.tear_off_clear_minutes, self.plant.minute_value)
        can, tear_off = cost_of(1.0, 0.0, rates).total, cost_of(0.0, 1.0, rates).total
        return lost[0], lost[1], lost[0] * can + lost[1] * tear_off
