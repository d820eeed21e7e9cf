"""Keep the stored repeat problems up to date: after a change of log, counts or findings, and after a take-up."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping

from django.db import transaction

from linelog.plant.models import Machine, Plant
from linelog.trends import refit
from linelog.trends.models.repeats import RepeatProblem, TakeUp
from linelog.trends.repeats import by_month, defects, history, onset, spoilage, usual
from linelog.trends.repeats.rule import (
    ALL_TOGETHER,
    Kind,
    Problem,
    Rule,
    came_back,
    noticed_on,
    problems,
)
from linelog.web.followers import Change

FIGURES = (
    *("pattern", "times", "looked_at", "mean_deg", "rayleigh_p", "comes_back_million", "noticed_on", "last_on"),
    *("holds", "since", "refitted_at", "part_of", "plain_share", "plain_chance"),
    *("began_low", "began_on", "began_high"),
)
#: What is counted by month, and who reads it.
BY_MONTH = {Kind.CAUSE: spoilage.read, Kind.DEFECT: defects.read}


def rule_of(plant: Plant) -> Rule:
    """Return the plant's own setting of the rule, with how its stations are usually found; one query."""
    return Rule(plant.repeat_out, plant.repeat_visits, usual.kept(plant))


def refit_repeats(plant: Plant, now: dt.datetime) -> None:
    """Apply the rule to every machine of a plant, to its spoilage by cause, and to its findings by code."""
    machines = list(Machine.objects.filter(line__plant=plant).values_list("pk", flat=True))
    read = history.histories(plant, machines, now)
    usual.keep(plant, usual.usual_of(read.values()), now)
    found, rule, done = _found_in(plant, read, now), rule_of(plant), done_on(plant)
    for kind, read_months in BY_MONTH.items():
        months = read_months(plant, now)
        by_month.keep(plant, kind, months, now)
        told = by_month.with_onsets(months, by_month.problems_of(months, kind, rule), rule, done)
        for machine, more in told.items():
            found.setdefault(machine, []).extend(more)
    _store(plant, found, now)


def follow_findings(change: Change) -> None:
    """Have the plant's models fitted where findings of a month that is over changed; those of this one do not count.

    No summary rests on a finding, so there is nothing to note: were the offer lost, the night would bring it.
    """
    _, until = by_month.last_year(Plant.objects.get(pk=change.plant_id), change.at)
    if change.first_day is None or change.first_day < until:
        refit.offer(change.plant_id, change.at)


def found_at(plant: Plant, machines: Iterable[int], now: dt.datetime) -> dict[int, list[Problem]]:
    """Return what the rule says of the stations of some machines; strokes are read only where something repeats."""
    return _found_in(plant, history.histories(plant, machines, now), now)


def _found_in(plant: Plant, read: Mapping[int, history.History], now: dt.datetime) -> dict[int, list[Problem]]:
    rule = rule_of(plant)
    found = {machine: problems(one, rule) for machine, one in read.items()}
    kept = set(RepeatProblem.objects.filter(machine__in=list(read)).values_list("machine_id", flat=True))
    counted = sorted(machine for machine in found if machine in kept or any(one.holds for one in found[machine]))
    days = history.days_of(plant, counted, now) if counted else {}
    done = done_on(plant)
    for machine in days:
        full = history.with_strokes(read[machine], days[machine])
        found[machine] = onset.with_onsets(full, problems(full, rule), done.get(machine, {}))
    return found


def done_on(plant: Plant) -> dict[int, dict[str, dt.date]]:
    """Return by machine and problem the last day on which something was done about it; one query."""
    rows = TakeUp.objects.filter(problem__machine__line__plant=plant).order_by("action_on")
    found: dict[int, dict[str, dt.date]] = {}
    for machine, key, day in rows.values_list("problem__machine_id", "problem__key", "action_on"):
        if day is not None:
            found.setdefault(machine, {})[key] = day
    return found


def _store(plant: Plant, found: dict[int, list[Problem]], now: dt.datetime) -> None:
    """Write what was found: new problems that hold, and the figures of all that were ever stored."""
    rule = rule_of(plant)
    with transaction.atomic():
        Plant.objects.select_for_update(no_key=True).values_list("pk").get(pk=plant.pk)  # one refit at a time
        stored = {(row.machine_id, row.key): row for row in RepeatProblem.objects.filter(machine__line__plant=plant)}
        taken = taken_up(stored.values())
        told = set()
        fresh: list[RepeatProblem] = []
        changed: list[RepeatProblem] = []
        for machine, ones in found.items():
            for one in ones:
                row = stored.get((machine, one.key))
                told.add((machine, one.key))
                if row is None and not one.holds:
                    continue
                (changed if row else fresh).append(fill(row or _row(machine, one), one, rule, taken, now))
        for place in stored.keys() - told:  # every value of it was set aside, or is older than is looked at
            stored[place].holds = False
            changed.append(stored[place])
        RepeatProblem.objects.bulk_create(fresh)
        _put_parts_together(found, [*fresh, *changed])
        RepeatProblem.objects.bulk_update([*fresh, *changed], list(FIGURES), batch_size=200)


def taken_up(rows: Iterable[RepeatProblem]) -> dict[int, tuple[dt.date | None, bool]]:
    """Return the last day on which something was done about each problem, and whether somebody is at it."""
    found: dict[int, tuple[dt.date | None, bool]] = {}
    taken = TakeUp.objects.filter(problem__in=list(rows)).order_by("action_on")
    for problem, on in taken.values_list("problem_id", "action_on"):
        day, in_work = found.get(problem, (None, False))
        found[problem] = (on or day, in_work or on is None)
    return found


def _row(machine: int, one: Problem) -> RepeatProblem:
    return RepeatProblem(
        machine_id=machine,
        key=one.key,
        kind=one.kind,
        station_id=one.station_id,
        method=one.method,
        cause_id=one.cause_id,
        code_id=one.code_id,
    )


def fill(
    row: RepeatProblem,
    one: Problem,
    rule: Rule,
    taken: dict[int, tuple[dt.date | None, bool]],
    now: dt.datetime,
) -> RepeatProblem:
    """Put the figures of the rule into a row; nothing that people wrote is touched."""
    row.times, row.looked_at, row.holds, row.last_on = one.times, one.looked_at, one.holds, one.last_on
    if one.holds or row.pk is None:  # what it was like when it last held is kept
        row.pattern, row.noticed_on = one.pattern, noticed_on(one, rule)
        row.comes_back_million = one.comes_back_million
        row.mean_deg = one.directions.mean_deg if one.directions else None
        row.rayleigh_p = one.directions.p if one.directions else None
        row.began_low, row.began_on, row.began_high = onset.days_of(one.began)
        row.plain_share = one.plain.share if one.plain else None
        row.plain_chance = one.plain.chance if one.plain else None
    done_on, in_work = taken.get(row.pk, (None, False)) if row.pk else (None, False)
    row.since = came_back(one.occasions, done_on, rule, in_work=in_work)
    row.refitted_at = now
    return row


def _put_parts_together(found: dict[int, list[Problem]], rows: list[RepeatProblem]) -> None:
    """Hang the stations that go with all the others on the problem of the machine."""
    whole = {row.machine_id: row for row in rows if row.key == ALL_TOGETHER and row.holds}
    parts = {(machine, one.key) for machine, ones in found.items() for one in ones if one.part}
    for row in rows:
        row.part_of = whole.get(row.machine_id) if (row.machine_id, row.key) in parts else None
