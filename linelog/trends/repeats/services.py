"""A problem that comes back is taken up: by whom and until when, and what came of it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, fields
from typing import Any

from django.db import transaction

from linelog.plant.models import Person
from linelog.production.days import production_day
from linelog.trends.models.repeats import RepeatProblem, TakeUp
from linelog.trends.repeats.queries import occasions_of
from linelog.trends.repeats.refit import rule_of, taken_up
from linelog.trends.repeats.rule import came_back
from linelog.web import audit, writes
from linelog.web.errors import Conflict, NotAllowed, Refused
from linelog.web.permissions import Permission, may


@dataclass(frozen=True, slots=True)
class Words:
    """What a person says of a problem: without `action_on` it is in work, of its `owner`, by `due_on`."""

    cause_found: str = ""
    action: str = ""
    action_on: dt.date | None = None
    owner: Person | None = None
    due_on: dt.date | None = None


def check_may_follow_up(by: Any) -> None:
    """Refuse a person whose role may only look."""
    if not may(by, Permission.FOLLOW_UP):
        raise NotAllowed("Your role may look at this but not answer it.")


def take_up(*, by: Any, at: dt.datetime, problem: RepeatProblem, said: Words, key: str = "") -> TakeUp:
    """Take a problem up, or note what was found and done about it."""
    check_may_follow_up(by)
    plant = problem.machine.line.plant
    _check(problem, said, at)

    def write() -> int:
        made = TakeUp.objects.create(problem=problem, by=by, at=at, **_facts(said))
        audit.record(by=by, action="took up", obj=made, at=at, after=audit.snapshot(made), plant_id=plant.pk)
        _look_again(problem, at)
        return made.pk

    owner = said.owner.pk if said.owner else None
    content = [problem.pk, said.cause_found, said.action, said.action_on, owner, said.due_on]
    return TakeUp.objects.get(pk=writes.once(by=by, key=key, content=content, at=at, write=write))


def change(*, by: Any, at: dt.datetime, taken: TakeUp, said: Words, version: int) -> TakeUp:
    """Put right what was noted; raises Conflict where somebody changed it since `version`."""
    check_may_follow_up(by)
    _check(taken.problem, said, at)
    with transaction.atomic():
        before = TakeUp.objects.select_for_update().get(pk=taken.pk)
        if before.version != version:
            raise Conflict("Somebody changed this meanwhile.", theirs=before, yours=said)
        was = audit.snapshot(before)
        for name, value in _facts(said).items():
            setattr(before, name, value)
        before.version = version + 1
        before.save()
        plant_id = taken.problem.machine.line.plant_id
        after = audit.snapshot(before)
        audit.record(by=by, action="changed", obj=before, at=at, before=was, after=after, plant_id=plant_id)
        _look_again(taken.problem, at)
    return before


def _facts(said: Words) -> dict[str, Any]:
    return {field.name: getattr(said, field.name) for field in fields(said)}


def _check(problem: RepeatProblem, said: Words, at: dt.datetime) -> None:
    plant = problem.machine.line.plant
    if said.owner is not None and said.owner.plant_id not in (None, plant.pk):
        raise Refused("This person is not of the plant.", field="owner")
    if said.action_on is None:
        if said.owner is None:
            raise Refused("Whose is it? Choose who sees to it.", field="owner")
        return
    if not said.action:
        raise Refused("Say what was done, or leave the day empty while it is in work.", field="action")
    if said.action_on > production_day(plant, at):
        raise Refused("This day has not come yet.", field="action_on")


def _look_again(problem: RepeatProblem, at: dt.datetime) -> None:
    """Say at once whether somebody is at it, or whether it came back after the last day that something was done."""
    last, in_work = taken_up([problem]).get(problem.pk, (None, False))
    rule = rule_of(problem.machine.line.plant)
    since = came_back(occasions_of(problem, at), last, rule, in_work=in_work)
    RepeatProblem.objects.filter(pk=problem.pk).update(since=since)
