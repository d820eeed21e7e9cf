"""What the invented people did about repeat problems and signals, once the program had found them."""

from __future__ import annotations

import datetime as dt

from linelog.demo.scenario import Scenario, TakenUp
from linelog.plant.models import Person, Plant
from linelog.production.days import production_day
from linelog.production.models import Event
from linelog.trends.control.nearby import Change, changes_near
from linelog.trends.control.services import Words as Answer
from linelog.trends.control.services import answer
from linelog.trends.models import RepeatProblem, Signal
from linelog.trends.repeats.refit import refit_repeats
from linelog.trends.repeats.services import Words, take_up
from linelog.web.permissions import Role

ANSWERED = 12  # signals with a change beside them
CAUSES = {
    Change.VISIT: Signal.Cause.ALIGNMENT,
    Change.TOOLING: Signal.Cause.TOOLING,
    Event.Kind.METAL: Signal.Cause.METAL,
    Event.Kind.LUBRICATION: Signal.Cause.LUBRICATION,
    Event.Kind.PRESSURE: Signal.Cause.PRESSURE,
}


def follow_up(scenario: Scenario, plant: Plant, at: dt.datetime) -> str:
    """Take up the problems of the scenario as they stood on their days, and answer some signals; say how many."""
    people = Person.objects.filter(plant=plant).order_by("pk")
    manager, quality = people.filter(role=Role.MANAGER)[0], people.filter(role=Role.QUALITY)[0]
    plans = sorted(((one, machine.name) for machine in scenario.machines for one in machine.taken_up), key=_day)
    taken = sum(_take_up(one, name, scenario, plant, manager, at) for one, name in plans)
    refit_repeats(plant, at)
    return f"{taken} repeat problems taken up, {_answer(plant, quality, at)} signals answered."


def _day(pair: tuple[TakenUp, str]) -> int:
    return pair[0].day


def _take_up(one: TakenUp, name: str, scenario: Scenario, plant: Plant, by: Person, at: dt.datetime) -> int:
    then = at - dt.timedelta(days=scenario.days - one.day)
    refit_repeats(plant, then)
    found = RepeatProblem.objects.select_related("machine__line__plant").filter(
        machine__line__plant=plant, machine__name=name, station__name=one.station, method="static"
    )
    for problem in found:
        said = Words(one.cause_found, one.action, production_day(plant, then))
        take_up(by=by, at=then, problem=problem, said=said)
    return len(found)


def _answer(plant: Plant, by: Person, at: dt.datetime) -> int:
    """Answer the newest signals beside which something had changed, as far as they are older than a week."""
    until = production_day(plant, at) - dt.timedelta(days=7)
    rows = Signal.objects.filter(machine__line__plant=plant, rule=Signal.Rule.LINE, day__lt=until)
    signals = list(rows.select_related("machine__line__plant").order_by("-day", "pk")[:200])
    near = changes_near(signals)
    beside = [signal for signal in signals if near[signal.pk]][:ANSWERED]
    for number, signal in enumerate(beside):
        change = near[signal.pk][0]
        note = f"{change.said}. Looked at with the shift: it goes back to that day."
        owner = by if number % 3 == 0 else None
        said = Answer(CAUSES.get(change.kind, Signal.Cause.NOT_FOUND), note[:400], owner)
        answer(by=by, at=at, seen={signal.pk: 1}, said=said)
    return len(beside)
