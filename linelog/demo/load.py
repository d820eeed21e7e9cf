"""Load the demonstration plant into an empty database: all of it or nothing."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import numpy as np
from django.db import transaction

from linelog.alignment.models import Amendment, Stage, Visit
from linelog.demo import captures, counts
from linelog.demo import plan as planning
from linelog.demo.findings import Desk, Past
from linelog.demo.life import Life, Setting
from linelog.demo.log import Log
from linelog.demo.scenario import Scenario, ToolPlan
from linelog.demo.setup import Ground, lay
from linelog.demo.site import sites
from linelog.plant.models import Adjuster, Plant, Station, ToolPart
from linelog.production.days import production_day
from linelog.trends import refit
from linelog.trends.due.store import refit_drifts
from linelog.web import audit
from linelog.web.errors import Refused
from linelog.web.permissions import Role

Say = Callable[[str], object]
AMENDED_AS = (
    "The dial was found loose on its post afterwards: this value is left out.",
    "Read off by another hand from the sheet: one figure had been typed wrongly.",
    "The machine had stood over the weekend before this visit, not for an hour.",
)


def load(scenario: Scenario, *, at: dt.datetime, say: Say = lambda line: None) -> dict[str, int]:
    """Store the plant and its history up to `at`; return how many rows of each kind. Refused where a plant exists."""
    if Plant.objects.exists():
        raise Refused("There is a plant in this database already: the demonstration goes into an empty one only.")
    with transaction.atomic():
        today = production_day(Plant(**scenario.plant), at)
        first = today - dt.timedelta(days=scenario.days)
        ground = lay(scenario, first)
        say(f"{ground.plant.name}: {len(ground.machines)} machines, {len(ground.people)} people.")
        log, shifts = _live(scenario, ground, first, at, say)
        _amend(scenario, ground, log)
        stored = log.store()
        say(", ".join(f"{number} {name}" for name, number in stored.items() if number) + ".")
        _count_packs(ground.plant, at)
        refit.mark_all(ground.plant, at)
        refit_drifts(ground.plant, at)  # the plan rests on it
        planned = planning.lay(ground.plant, at)
        say(f"{planned} visits planned for the coming weeks.")
        audit.record(by=None, action="loaded demonstration", obj=ground.plant, at=at, plant_id=ground.plant.pk)
    return {"machines": len(ground.machines), "shifts": shifts, **stored}


def _count_packs(plant: Plant, at: dt.datetime) -> None:
    """Have the adjusters stand in the middle of their travel at the end, and the packs of the feet counted."""
    rows = Adjuster.objects.filter(station__machine__line__plant=plant)
    rows.update(bounds_at=at)
    feet = rows.filter(kind=Adjuster.Kind.SHIM, along_z=False, station__kind=Station.Kind.TOOL_PACK)
    feet.update(pack_um=[500.0, 100.0, 50.0, 20.0, 20.0, 10.0], pack_counted_at=at)


def _live(scenario: Scenario, ground: Ground, first: dt.date, at: dt.datetime, say: Say) -> tuple[Log, int]:
    log, shifts = Log(), 0
    people = list(ground.people.values())
    setting = Setting(
        plan=scenario,
        plant=ground.plant,
        first=first,
        mechanics=[person for person in people if person.role == Role.MECHANIC],
        manager=next(person for person in people if person.role == Role.MANAGER),
        quality=next(person for person in people if person.role == Role.QUALITY),
        log=log,
    )
    found = sites(list(ground.machines.values()), scenario.drift.bushing_share)
    desk = Desk(scenario, ground.plant, setting.quality, ground.shifts, first)
    log.findings += [desk.enter(told, at) for told in scenario.told_findings if told.day < scenario.days]
    for number, plan in enumerate(scenario.machines):
        before = len(log.visits)
        life = Life(setting, found[plan.name], plan, ground.sets[plan.name])
        numbers = life.live()
        rows = counts.store(ground.machines[plan.name], numbers, ground.shifts, scenario.causes, first)
        shifts += rows
        _cans_run(life, int(numbers.begun.sum()), scenario.tools)
        past = Past(
            ground.machines[plan.name],
            plan,
            found[plan.name].places.names,
            found[plan.name].places.limits,
            life.states,
            numbers.begun,
        )
        log.findings += desk.findings_of(past, at)
        if plan.open_today:
            _open(life, at)
        if number == 0:
            _drop(life)
        captures.add(life, scenario.captures, at)
        say(f"{plan.name}: {len(log.visits) - before} visits, {rows} shifts.")
    return log, shifts


def _cans_run(life: Life, begun: int, plan: ToolPlan) -> None:
    """Share the machine's cans among its sets, which took turns; a tool that has made its cans is renewed.

    So a part has run what came after its last renewal; its serial says the how manieth of its place it is.
    """
    for number, one in enumerate(life.sets):
        share = begun // len(life.sets) + number * 40_000
        for place, part in enumerate(ToolPart.objects.filter(tooling_set=one).order_by("pk")):
            # The tools of a set were not all new on the first day: each place is elsewhere in its life.
            renewed, part.cans_run = divmod(share + place * 390_000, plan.life_of(part.kind))
            part.serial = f"{part.serial}-{renewed + 1}"
            part.save(update_fields=["cans_run", "serial"])


def _open(life: Life, at: dt.datetime) -> None:
    """Leave a visit open on the day of loading: the redraw sleeve swept, the next station half."""
    calling = life.call(at - dt.timedelta(minutes=50), Visit.Reason.ROUTINE)
    calling.pass_time(12.0)
    swept = [number for number, station in enumerate(life.site.stations) if not station.is_bushing]
    for number in swept[:2]:
        station = life.site.stations[number]
        if number == swept[0]:
            found = calling.sweep(station, Stage.AS_FOUND, life.static[number])
            calling.say(station, calling.advice(found), not_touched=True)
        else:
            calling.read_some(station, life.static[number], 2)
    for note in calling.log.notes[-1:]:
        note.advised = ""  # frozen only when signed
    calling.lock_out(returned=False)
    calling.log.results += calling.results


def _drop(life: Life) -> None:
    """Have a visit dropped, a good week before the end."""
    scenario = life.setting.plan
    calling = life.call(life.setting.at(scenario.days - 9, 13.25), Visit.Reason.SPOILAGE)
    calling.pass_time(12.0)
    calling.read_some(life.site.stations[2], life.static[2], 3)
    calling.lock_out(returned=True)
    calling.visit.state, calling.visit.dropped_why = Visit.State.DROPPED, scenario.visiting.dropped


def _amend(scenario: Scenario, ground: Ground, log: Log) -> None:
    """Put amendments beside a few signed visits: a value set aside, one put right, a word."""
    rng = np.random.default_rng(scenario.days)
    signed = [visit for visit in log.visits if visit.state == Visit.State.SIGNED and visit.signed_at]
    chosen = rng.permutation(len(signed))[: scenario.visiting.amended]
    for number, which in enumerate(sorted(chosen.tolist())):
        visit = signed[which]
        kind = number % len(AMENDED_AS)
        value = next(one for one in log.results if one.visit is visit and one.stage == Stage.AS_FOUND)
        about = {"station": value.station, "stage": value.stage, "seat": value.seat} if kind < 2 else {}
        x, y = (round(value.x_um + 6.0, 1), round(value.y_um, 1)) if kind == 1 else (None, None)
        log.amendments.append(
            Amendment(
                visit=visit,
                reason=AMENDED_AS[kind],
                set_aside=kind == 0,
                x_um=x,
                y_um=y,
                by=ground.people["manager"],
                at=(visit.signed_at or visit.opened_at) + dt.timedelta(days=1),
                **about,
            )
        )
