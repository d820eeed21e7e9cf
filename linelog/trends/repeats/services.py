"""A problem that comes back is taken up: the cause that was found, what was done and when."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from django.db import transaction

from linelog.production.days import production_day
from linelog.trends.models.repeats import RepeatProblem, TakeUp
from linelog.trends.repeats.queries import occasions_of
from linelog.trends.repeats.refit import rule_of
from linelog.trends.repeats.rule import came_back
from linelog.web import audit, writes
from linelog.web.errors import Conflict, NotAllowed, Refused
from linelog.web.permissions import Permission, may


@dataclass(frozen=True, slots=True)
class Words:
    """What a person says of a problem."""

    cause_found: str
    action: str
    action_on: dt.date


def check_may_follow_up(by: Any) -> None:
    """Refuse a person whose role may only look."""
    if not may(by, Permission.FOLLOW_UP):
        raise NotAllowed("Your role may look at this but not answer it.")


def take_up(*, by: Any, at: dt.datetime, problem: RepeatProblem, said: Words, key: str = "") -> TakeUp:
    """Note what was found and done about a problem."""
    check_may_follow_up(by)
    plant = problem.machine.line.plant
    _check_day(problem, said.action_on, at)

    def write() -> int:
        made = TakeUp.objects.create(
            problem=problem,
            cause_found=said.cause_found,
            action=said.action,
            action_on=said.action_on,
            by=by,
            at=at,
        )
        audit.record(by=by, action="took up", obj=made, at=at, after=audit.snapshot(made), plant_id=plant.pk)
        _look_again(problem, at)
        return made.pk

    content = [problem.pk, said.cause_found, said.action, said.action_on]
    return TakeUp.objects.get(pk=writes.once(by=by, key=key, content=content, at=at, write=write))


def change(*, by: Any, at: dt.datetime, taken: TakeUp, said: Words, version: int) -> TakeUp:
    """Put right what was noted; raises Conflict where somebody changed it since `version`."""
    check_may_follow_up(by)
    _check_day(taken.problem, said.action_on, at)
    with transaction.atomic():
        before = TakeUp.objects.select_for_update().get(pk=taken.pk)
        if before.version != version:
            raise Conflict("Somebody changed this meanwhile.", theirs=before, yours=said)
        was = audit.snapshot(before)
        before.cause_found, before.action, before.action_on = said.cause_found, said.action, said.action_on
        before.version = version + 1
        before.save()
        plant_id = taken.problem.machine.line.plant_id
        after = audit.snapshot(before)
        audit.record(by=by, action="changed", obj=before, at=at, before=was, after=after, plant_id=plant_id)
        _look_again(taken.problem, at)
    return before


def _check_day(problem: RepeatProblem, on: dt.date, at: dt.datetime) -> None:
    if on > production_day(problem.machine.line.plant, at):
        raise Refused("This day has not come yet.", field="action_on")


def _look_again(problem: RepeatProblem, at: dt.datetime) -> None:
    """Say at once whether it came back after the last day on which something was done."""
    last = TakeUp.objects.filter(problem=problem).order_by("-action_on").values_list("action_on", flat=True).first()
    rule = rule_of(problem.machine.line.plant)
    since = came_back(occasions_of(problem, at), last, rule)
    RepeatProblem.objects.filter(pk=problem.pk).update(since=since)
