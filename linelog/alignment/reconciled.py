"""Beam against experience: what pairs of static and running teach of each station, beside the droop of its ram."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from django.db.models import Exists, OuterRef, Prefetch, QuerySet, Subquery

from linelog.alignment.hanging import nose_for
from linelog.alignment.models import Result, Sweep, Visit
from linelog.alignment.models.sweep import Method
from linelog.alignment.pairs import FoundPair, floor_um, pairs_of
from linelog.alignment.services.bushings import wear_limit_um
from linelog.calc.differences import Step, passes
from linelog.calc.errors import CalcError
from linelog.calc.reconcile import Agreement, BeamModel, Check, Learned, check, learn
from linelog.plant.adjusting import reference_z_mm
from linelog.plant.models import Machine, Person, RamSection, Station
from linelog.plant.ram import HangingRam, ram_record, seen_at

CSS = {Agreement.AGREE: "in", Agreement.DISAGREE: "out", Agreement.NOT_KNOWN: "none"}
WORDS = {Agreement.AGREE: "agree", Agreement.DISAGREE: "disagree", Agreement.NOT_KNOWN: "not known"}
MONTH_DAYS = 30.4
MOST_SHOWN_UM = 2000.0  # a clearance beyond this is no explanation


@dataclass(frozen=True, slots=True)
class StepWords:
    """A jump of the differences: certain or only suspected, when, and how many pairs there are since."""

    certain: bool
    on: dt.datetime
    pairs: int


@dataclass(frozen=True, slots=True)
class Passes:
    """When the growing difference says that the clearance passes its limit: expected, earliest, latest (or not)."""

    limit_um: float
    on: dt.date
    earliest: dt.date
    latest: dt.date | None
    passed: bool


@dataclass(frozen=True, slots=True)
class Reconciled:
    """One station: its pairs, what they teach, what the beam says there, and whether both can be true."""

    station: Station
    pairs: tuple[FoundPair, ...]
    learned: Learned | None
    beam: BeamModel | None
    check: Check
    clearance_um: float | None = None
    passing: Passes | None = None

    @property
    def disagrees(self) -> bool:
        """Whether beam and experience cannot both be true."""
        return self.check.agreement is Agreement.DISAGREE

    @property
    def stepped(self) -> StepWords | None:
        """The step its differences have made, where they have."""
        if self.learned is None or self.learned.step_on is None:
            return None
        return StepWords(self.learned.step is Step.CERTAIN, self.learned.step_on, self.learned.used)

    @property
    def month_um(self) -> tuple[float, float]:
        """How much the difference changes in a month, across and up, um; only said where it is proven to."""
        courses = self.learned.courses if self.learned else None
        return (
            (MONTH_DAYS * courses.across.slope_um_a_day, MONTH_DAYS * courses.up.slope_um_a_day)
            if courses
            else (0, 0)
        )

    @property
    def held(self) -> bool:
        """Whether what the program expects here has held: enough pairs, steady, and close enough to judge by."""
        if self.learned is None or self.disagrees or self.check.newest_odd:
            return False
        fine = max(self.learned.next_within_um) <= self.station.limit_um
        return fine or self.check.agreement is Agreement.AGREE

    @property
    def css(self) -> str:
        """The class that gives the word its shape."""
        return CSS[self.check.agreement]

    @property
    def word(self) -> str:
        """Whether they agree, in a word."""
        return WORDS[self.check.agreement]

    @property
    def beam_within_um(self) -> float | None:
        """What the beam's figure is certain to, about 95 %."""
        return None if self.beam is None else 2.0 * self.beam.u_um


def running_stations(user: Person) -> QuerySet[Station]:
    """Return the stations in use that signed visits have running values of, with all that is needed to judge them."""
    ran = Result.objects.filter(station=OuterRef("pk"), method=Method.RUNNING, visit__state=Visit.State.SIGNED)
    swept = Sweep.objects.filter(station=OuterRef("pk"), kind=Sweep.Kind.RIM, ram_position_mm__isnull=False)
    swept = swept.exclude(visit__state=Visit.State.DROPPED).order_by("-visit__opened_at", "-pk")
    return (
        Station.objects.for_user(user)
        .filter(Exists(ran), is_active=True)
        .annotate(travel_mm=Subquery(swept.values("ram_position_mm")[:1]))
        .select_related("machine__line__plant")
        .prefetch_related(Prefetch("machine__ram_sections", queryset=RamSection.objects.order_by("order")))
        .order_by("machine__line__name", "machine__name", "machine_id", "order", "pk")
    )


def reconcile(stations: QuerySet[Station], at: dt.datetime) -> list[Reconciled]:
    """Judge stations of `running_stations`, of one machine or of all, in a fixed number of queries."""
    rows = list(stations)
    pairs = pairs_of(rows) if rows else {}
    rams: dict[int, HangingRam | None] = {}
    for station in rows:
        machine = station.machine
        if machine.pk not in rams:
            rams[machine.pk] = ram_record(machine, list(machine.ram_sections.all())).hanging
    fronts = Station.objects.filter(machine__in=list(rams), kind=Station.Kind.FRONT_BUSHING, is_active=True)
    fronts = fronts.select_related("machine__line__plant")
    own = {front.machine_id: front for front in fronts} if rows else {}
    worn = {pk: wear_limit_um(front, front.machine.line.plant) for pk, front in own.items()}
    found = [_reconciled(one, pairs.get(one.pk, ()), rams[one.machine_id], at) for one in rows]
    return [replace(one, passing=_passing(one, rams[one.station.machine_id], worn, at)) for one in found]


def _reconciled(
    station: Station, pairs: tuple[FoundPair, ...], hanging: HangingRam | None, at: dt.datetime
) -> Reconciled:
    only, floor = [one.pair for one in pairs], floor_um(pairs)
    beam, tipped = _beam(station, hanging)
    judged = check(only, beam, floor_um=floor)
    explains = None
    if hanging is not None and judged.agreement is Agreement.DISAGREE and judged.apart_um is not None:
        explains = _clearance(hanging, tipped, judged.apart_um[1])
    learned = learn(only, at=max([at, *(pair.running.when for pair in only)]), floor_um=floor)
    return Reconciled(station, pairs, learned, beam, judged, explains)


def _beam(station: Station, hanging: HangingRam | None) -> tuple[BeamModel | None, float]:
    """Return the beam's figure where the station was last read, and how much of it the clearance makes, um."""
    if hanging is None:
        return None, 0.0
    z = reference_z_mm(station)
    travel = getattr(station, "travel_mm", None)
    try:
        seen = seen_at(hanging, nose_for(hanging, z, travel), z)
    except CalcError:
        return None, 0.0
    return BeamModel(seen.deflection_um, seen.u_um), seen.tipped_um


def _clearance(hanging: HangingRam, tipped_um: float, apart_um: float) -> float | None:
    """Return the bushing clearance that would explain a ram hanging so much lower, um; None where none would."""
    now = hanging.ram.front.clearance_um
    if apart_um >= 0.0 or tipped_um >= 0.0 or now <= 0.0 or hanging.ram.front.film_n_per_um is not None:
        return None
    needed = now * (tipped_um + apart_um) / tipped_um
    return needed if needed <= MOST_SHOWN_UM else None


def _passing(
    one: Reconciled, hanging: HangingRam | None, worn: Mapping[int, float], at: dt.datetime
) -> Passes | None:
    """Return when the difference tells that the clearance passes its wear limit; None where it does not go there.

    The ram tips by its clearance: at the limit it hangs lower by what the clearance has grown till then.
    """
    limit = worn.get(one.station.machine_id)
    beam, tipped = _beam(one.station, hanging)
    if hanging is None or beam is None or one.learned is None or limit is None:
        return None
    now = hanging.ram.front.clearance_um
    if tipped >= 0.0 or now <= 0.0 or hanging.ram.front.film_n_per_um is not None:
        return None
    found = passes(one.learned.courses.up, beam.deflection_um + tipped * (limit / now - 1.0))
    if found is None:
        return None
    first = min(pair.pair.running.when for pair in one.pairs)
    on, earliest = (first + dt.timedelta(days=days) for days in (found.on, found.earliest))
    latest = None if found.latest is None else first + dt.timedelta(days=found.latest)
    return Passes(limit, on.date(), earliest.date(), latest.date() if latest else None, on <= at)


@dataclass(frozen=True, slots=True)
class Standing:
    """A machine in the list of those with running values: the worst of its stations speaks for it."""

    machine: Machine
    worst: Reconciled
    stations: tuple[str, ...]
    offer: tuple[Reconciled, ...]


ORDER = (Agreement.DISAGREE, Agreement.AGREE, Agreement.NOT_KNOWN)


def by_machine(found: Iterable[Reconciled]) -> list[Standing]:
    """Put stations together by machine, those where beam and experience disagree first."""
    groups: dict[int, list[Reconciled]] = {}
    for one in found:
        groups.setdefault(one.station.machine_id, []).append(one)
    listed = [_standing(group) for group in groups.values()]
    return sorted(listed, key=lambda one: ORDER.index(one.worst.check.agreement))


def _standing(group: Sequence[Reconciled]) -> Standing:
    worst = min(group, key=lambda one: ORDER.index(one.check.agreement))
    named = tuple(one.station.name for one in group if one.check.agreement is worst.check.agreement)
    return Standing(worst.station.machine, worst, named, offer_of(group))


def offer_of(group: Sequence[Reconciled]) -> tuple[Reconciled, ...]:
    """Return the stations that speak for moves by the running value: the evidence for switching them on.

    None where anything on the machine speaks against it: beam and experience that disagree, or a newest pair that
    fits not those before it.
    """
    if any(one.disagrees or one.check.newest_odd for one in group):
        return ()
    return tuple(one for one in group if one.held)
