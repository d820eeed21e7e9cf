"""A walk over the pages of machines that fails where two of them say different things of how a station stands."""

from __future__ import annotations

import html
import re

from django.urls import reverse
from django.utils import timezone

from linelog.alignment.models import Result, Visit
from linelog.alignment.results.now import machine_statuses, worst_of
from linelog.calc.station_state import Counts, State
from linelog.calc.units import Unit
from linelog.planning import sheet as sheets
from linelog.planning.services import calendars
from linelog.plant.models import Person
from linelog.trends.state.outlook import coming
from linelog.trends.state.say import planned_of, worth_of
from linelog.trends.state.todo import todo

TOLD = re.compile(r'data-stands="(\d+):(\w+)"')
TO_DO = re.compile(r'data-todo="(\d+):(\w+)"')
ALL_IN = "Nothing to open: all are within their limits"


def told(client, name, *args, query=""):
    """What a page says of stations, and its words."""
    response = client.get(reverse(name, args=args) + query)
    assert response.status_code == 200, (name, args)
    text = html.unescape(response.content.decode())
    return {(int(pk), State[state]) for pk, state in TOLD.findall(text)}, text


def disagreements(client, machines):
    """Return a sentence for each two pages that say different things of one station; empty where all agree."""
    wrong, now = [], timezone.now()
    front, front_text = told(client, "trends:fleet")
    plants = {machine.line.plant_id: machine.line.plant for machine in machines}
    states = {pk: state for plant in plants.values() for pk, state in coming(plant, 4, at=now).machines.items()}
    plans = {pk: told(client, "planning:plan", query=f"?plant={pk}")[1] for pk in plants}
    walls = {machine.line_id: told(client, "planning:display", _display(machine))[1] for machine in machines}
    for machine in machines:
        stand = machine_statuses(machine, now)
        truth = {one.station.pk: one.state for one in stand}
        worst = worst_of(stand)
        of_front = {(pk, state) for pk, state in front if pk in truth}
        if of_front != ({(worst.station.pk, worst.state)} if worst else set()):
            wrong.append(
                f"{machine}: the front page says {of_front}, it stands {worst and (worst.station, worst.state)}"
            )
        wrong += _pages(client, machine, truth, stand)
        wrong += _to_do(client, states[machine.pk], front_text, walls[machine.line_id], plans[machine.line.plant_id])
        wrong += _due(machine, stand, now)
        wrong += _visit(client, machine, truth, stand)
    return wrong


def _pages(client, machine, truth, stand):
    wrong = []
    for name in ("trends:machine", "planning:machine", "alignment:line"):
        said, text = told(client, name, machine.pk)
        wrong += [
            f"{machine}: {name} says {state} of {pk}, it is {truth[pk]}" for pk, state in said if truth[pk] != state
        ]
        if name == "alignment:line" and ALL_IN in text and any(one.is_out for one in stand):
            wrong.append(f"{machine}: the common line finds nothing to open")
        if name == "planning:machine":
            missing = {one.station.pk for one in stand if one.is_out} - {pk for pk, _ in said}
            wrong += [f"{machine}: the next visit says nothing of {pk}" for pk in missing]
    return wrong


def _to_do(client, state, front, wall, plan):
    """What to do, what waiting costs and when it is planned: front, machine, next visit, wall display and plan."""
    machine, found, wrong = state.machine, todo(state), []
    pages = {"front": front, "display": wall}
    pages |= {name: told(client, name, machine.pk)[1] for name in ("trends:machine", "planning:machine")}
    for name, text in pages.items():
        said = {do for pk, do in TO_DO.findall(text) if int(pk) == machine.pk}
        if said not in ({found.do.name}, set() if name == "front" else {found.do.name}):
            wrong.append(f"{machine}: {name} says {said}, to do is {found.do.name}")
    for name in ("trends:machine", "planning:machine"):
        for sentence in (found.what, found.why, worth_of(state, found), planned_of(state)):
            if sentence not in pages[name]:
                wrong.append(f"{machine}: {name} does not say: {sentence}")
    left_out = re.search(rf'<tr id="left-{machine.pk}">(.*?)</tr>', plan, re.DOTALL)
    if left_out and state.due.words not in left_out[1]:
        wrong.append(f"{machine}: the plan says otherwise when it is due")
    if left_out and state.a_week_known is None and "not known yet" not in left_out[1]:
        wrong.append(f"{machine}: the plan knows what waiting costs, and its page does not")
    return wrong


def _display(machine):
    manager = Person.objects.filter(plant=machine.line.plant, role="manager").first()
    more = {"line": machine.line, "label": "Wall", "kind": "display"}
    return calendars.make(by=manager, at=timezone.now(), **more)[1]


def _due(machine, stand, now):
    outlook = coming(machine.line.plant, 4, at=now, only=machine).machines[machine.pk]
    wrong = []
    out = {one.station.name for one in stand if one.is_out}
    if out and not outlook.due.is_due:
        wrong.append(f"{machine}: {out} out and not due")
    if out and any(name not in outlook.due.why for name in out) and outlook.facts.last is not None:
        wrong.append(f"{machine}: due for {outlook.due.why}, out: {out}")
    if not out <= set(outlook.opens) and outlook.facts.last is not None and not outlook.facts.triggers:
        wrong.append(f"{machine}: opens {outlook.opens}, out: {out}")
    content = sheets.content(sheets.read(outlook, None, "", now), Unit.MM)
    rows = {row[0]: row[2] for row in content["rows"]}
    wrong += [
        f"{machine}: the sheet says {rows[one.station.name]} of {one.station}, it is {one.word}"
        for one in stand
        if one.figure is not None and not rows[one.station.name].startswith(f"{one.word}.")
    ]
    return wrong


def _visit(client, machine, truth, stand):
    """The entry screens and the page of the visit that measured a station last, where nothing was learned since."""
    wrong = []
    for one in stand:
        static = one.measured
        if static is None or one.stands.counts is Counts.RAN:
            continue
        visit = Visit.objects.get(pk=static.value.visit_id)
        later = Result.objects.filter(station=one.station, visit__signed_at__gt=visit.signed_at).exists()
        if later or visit.amendments.exists():
            continue
        _, text = told(client, "alignment:station", visit.pk, one.station.pk, query=f"?stage={static.value.stage}")
        if (one.is_out or one.state is State.PROBABLY_OUT) and "Leave it" in text:
            wrong.append(f"{machine}: the screen of {one.station} says leave it, and it is {one.word}")
        said, _ = told(client, "alignment:visit", visit.pk)
        if (one.station.pk, truth[one.station.pk]) not in said:
            wrong.append(f"{machine}: the visit does not say that {one.station} is {one.word}")
    return wrong
