"""What the pages of repeat problems read, each in a fixed number of queries."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from django.db.models import Case, Exists, IntegerField, OuterRef, Prefetch, Q, QuerySet, Value, When
from django.shortcuts import get_object_or_404
from django.utils import timezone

from linelog.alignment.standing import RUNNING
from linelog.calc.drift import FEWEST_PAIRS, Drift, Pairs, fit_drift
from linelog.plant.models import Person, Station
from linelog.trends.models.repeats import RepeatProblem, TakeUp
from linelog.trends.repeats import by_month, history
from linelog.trends.repeats.history import Found, History, Series
from linelog.trends.repeats.refit import rule_of
from linelog.trends.repeats.rule import Kind, Occasion, Problem, Rule, problems, since

State = RepeatProblem.Since
_NEED = Case(
    When(holds=True, since=State.OPEN, then=Value(0)),
    When(since=State.BACK, then=Value(1)),
    When(since=State.IN_WORK, then=Value(2)),
    When(since=State.WAITING, then=Value(3)),
    When(since=State.GONE, then=Value(4)),
    default=Value(5),
    output_field=IntegerField(),
)


#: Who is at a problem now, on `at_it`.
IN_WORK = Prefetch("take_ups", TakeUp.objects.filter(action_on__isnull=True).select_related("owner"), to_attr="at_it")


def listed(user: Person) -> QuerySet[RepeatProblem]:
    """Return the problems a person may see, what needs somebody first; parts of a larger one are left out."""
    rows = RepeatProblem.objects.for_user(user).filter(part_of=None)
    return (
        rows.select_related("machine__line__plant", "station", "cause", "code")
        .prefetch_related(IN_WORK)
        .annotate(need=_NEED)
        .order_by("need", "-last_on", "machine__line__name", "machine__name", "key")
    )


def waiting(user: Person) -> QuerySet[RepeatProblem]:
    """Return those that wait for somebody: not taken up yet, come back since, or in work beyond their day."""
    return listed(user).filter(waits(timezone.localdate()))


def waits(today: dt.date) -> Q:
    """Return the condition of a problem that waits for somebody."""
    late = TakeUp.objects.filter(problem=OuterRef("pk"), action_on__isnull=True, due_on__lt=today)
    return Q(holds=True, since=State.OPEN) | Q(since=State.BACK) | Q(Exists(late), since=State.IN_WORK)


def of_machine(machine_id: int) -> QuerySet[RepeatProblem]:
    """Return the problems of one machine that hold or wait for visits, what needs somebody first."""
    rows = RepeatProblem.objects.filter(machine=machine_id, part_of=None).exclude(holds=False, since=State.OPEN)
    shown = rows.select_related("machine", "station", "cause", "code").prefetch_related(IN_WORK)
    return shown.annotate(need=_NEED).order_by("need", "-last_on", "key")


def problem_for(user: Person, pk: int) -> RepeatProblem:
    """Return a problem of the person's plant; any other is not there."""
    rows = RepeatProblem.objects.for_user(user).select_related(
        "machine__line__plant", "station", "cause", "code", "part_of"
    )
    return get_object_or_404(rows.prefetch_related(IN_WORK), pk=pk)


def take_up_for(user: Person, pk: int) -> TakeUp:
    """Return what was noted of a problem of the person's plant."""
    rows = TakeUp.objects.for_user(user).select_related(
        "problem__machine__line__plant", "problem__station", "by", "owner"
    )
    return get_object_or_404(rows, pk=pk)


@dataclass(frozen=True, slots=True)
class Seen:
    """A visit as the page of a problem lists it: the value, and whether it is one of those times."""

    found: Found
    is_one: bool


@dataclass(frozen=True, slots=True)
class Month:
    """A month of a cause or a defect: how many, and how many at the rate of the line's other machines."""

    on: dt.date
    count: float
    expected: float
    made: float
    above: bool


@dataclass(frozen=True, slots=True)
class Look:
    """Everything that the page of one problem rests on, read anew; `now` is None where nothing is known any more."""

    problem: RepeatProblem
    rule: Rule
    now: Problem | None
    seen: tuple[Seen, ...]
    months: tuple[Month, ...]
    drift: Drift | None
    pairs: int
    parts: tuple[RepeatProblem, ...]
    names: dict[int, str]
    take_ups: tuple[TakeUp, ...]
    since: tuple[int, int]


def look(problem: RepeatProblem, now: dt.datetime) -> Look:
    """Read a problem's visits or months, its drift and what was done about it."""
    take_ups = tuple(TakeUp.objects.filter(problem=problem).select_related("by", "owner"))
    rule = rule_of(problem.machine.line.plant)
    parts = tuple(problem.parts.select_related("machine", "station").order_by("station__order"))
    by_months = problem.is_by_month
    found, months = _months(problem) if by_months else (None, ())
    one, seen, series = (found, (), None) if by_months else _visits(problem, now)
    drift, pairs = station_drift(series) if series else (None, 0)
    done_on = max((one.action_on for one in take_ups if one.action_on), default=None)
    after = since(one.occasions if one else (), done_on, rule) if done_on else (0, 0)
    names = dict(Station.objects.filter(machine=problem.machine_id).values_list("pk", "name"))
    return Look(problem, rule, one, seen, months, drift, pairs, parts, names, take_ups, after)


def occasions_of(problem: RepeatProblem, now: dt.datetime) -> Sequence[Occasion]:
    """Return every visit or month that the rule looked at, the oldest first."""
    found = _months(problem)[0] if problem.is_by_month else _visits(problem, now)[0]
    return found.occasions if found else ()


def _visits(problem: RepeatProblem, now: dt.datetime) -> tuple[Problem | None, tuple[Seen, ...], Series | None]:
    plant, machine = problem.machine.line.plant, problem.machine_id
    read = history.histories(plant, [machine], now).get(machine, History(machine))
    read = history.with_strokes(read, history.days_of(plant, [machine], now)[machine])
    one = next((one for one in problems(read, rule_of(plant)) if one.key == problem.key), None)
    mine = [one for one in read.series if (one.station_id, one.method) == (problem.station_id, problem.method)]
    if problem.kind == Kind.MACHINE:
        days = {occasion.on for occasion in one.occasions if occasion.out} if one else set()
        all_of = [found for series in read.series if series.method != RUNNING for found in series.found]
        return one, tuple(Seen(found, found.visit.day in days) for found in all_of), None
    series = mine[0] if mine else None
    seen = tuple(Seen(found, found.is_out) for found in series.found) if series else ()
    return one, seen, series


def _months(problem: RepeatProblem) -> tuple[Problem | None, tuple[Month, ...]]:
    plant = problem.machine.line.plant
    kind, rule = Kind(problem.kind), rule_of(plant)
    read = by_month.kept(plant, kind)
    pk = problem.cause_id or problem.code_id or 0
    if pk not in read.counts or problem.machine_id not in read.machines:
        return None, ()
    at, judged = read.machines.index(problem.machine_id), by_month.judge(read, pk, rule)
    columns = (read.counts[pk][at], judged.expected[at], read.made[at], judged.above[at])
    months = (Month(on, *row) for on, *row in zip(read.months, *(one.tolist() for one in columns), strict=True))
    return by_month.problem_of(read, kind, pk, judged, at, rule), tuple(one for one in months if one.made > 0.0)


def station_drift(series: Series) -> tuple[Drift | None, int]:
    """Return how a station creeps per million strokes, as left to as found, and on how many pairs that rests."""
    pairs = [
        (one.value.x_um - one.left.x_um, one.value.y_um - one.left.y_um, one.strokes_million)
        for one in series.found
        if one.left is not None and one.strokes_million
    ]
    if len(pairs) < FEWEST_PAIRS:
        return None, len(pairs)
    across, up, strokes = zip(*pairs, strict=True)
    return fit_drift(Pairs.of(across, up, strokes)), len(pairs)
