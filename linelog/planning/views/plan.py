"""The plan of the coming weeks, and every change to it."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html_join
from django.views.decorators.http import require_GET, require_POST
from django.views.decorators.vary import vary_on_headers

from linelog.planning.capacity import capacity_of
from linelog.planning.forms import AcceptForm, AddForm, CrewForm, EntryForm, SpanForm, VersionForm
from linelog.planning.grid import grid, outside
from linelog.planning.models import PlannedVisit
from linelog.planning.queries import open_entries, plants_of
from linelog.planning.reconciled import reconcile_money
from linelog.planning.services import crew as services_crew
from linelog.planning.services import entries as services
from linelog.planning.suggest import room_of, stops_in, suggest
from linelog.plant.models import Machine, Plant
from linelog.plant.requests import Request
from linelog.production import weeks as calendar
from linelog.trends.state.outlook import Coming, coming
from linelog.web.errors import Refused
from linelog.web.permissions import Permission, may, needs


@require_GET
@vary_on_headers("HX-Request")
@needs(Permission.VIEW)
def plan(request: Request) -> HttpResponse:
    """Show the plan, what would be better, and what is left out and why."""
    plants = plants_of(request.user)
    chosen = request.GET.get("plant", "")
    plant = next((one for one in plants if str(one.pk) == chosen), None) if chosen else next(iter(plants), None)
    if plant is None:
        if chosen:
            raise Http404
        return render(request, "planning/none.html")
    return shown(request, plant, timezone.now())


def shown(
    request: Request,
    plant: Plant,
    now: dt.datetime,
    *,
    problem: str = "",
    about: int | None = None,
    status: int = 200,
) -> HttpResponse:
    """Render the plan; `about` is the machine that a problem belongs to."""
    form = SpanForm(request.GET)
    context = read(plant, form.number(), now)
    context |= {
        "form": form,
        "may_plan": may(request.user, Permission.PLAN),
        "problem": problem,
        "about": about,
        "plants": plants_of(request.user),
        "query": f"?plant={plant.pk}&weeks={form.number()}",
    }
    template = "planning/plan.html#plan" if request.htmx else "planning/plan.html"
    return render(request, template, context, status=status if form.is_valid() else 422)


def read(plant: Plant, number: int, now: dt.datetime) -> dict[str, Any]:
    """Read all that the plan rests on."""
    found = coming(plant, number, at=now)
    stops = _stops(found, now)
    entries = open_entries(plant)
    capacity = capacity_of(plant, found.weeks, now)
    room = room_of(found, entries, capacity)
    weeks = grid(found, stops, entries, capacity, room)
    choices = [(week.isoformat(), f"week {week.isocalendar().week}") for week in found.weeks]
    return {
        "site": plant,
        "coming": found,
        "weeks": weeks,
        "outside": outside(found, entries, now),
        "suggestion": suggest(found, stops, entries, capacity),
        "choices": choices,
        "options": format_html_join("", '<option value="{}">{}</option>', choices),
        "hours": sum(week.hours for week in weeks),
        "crew_hours": sum(week.crew_hours for week in weeks),
        "money": reconcile_money(found, entries, room),
        "has_stops": bool(stops),
    }


def _stops(found: Coming, now: dt.datetime) -> list[Any]:
    ends = calendar.begins(found.plant, found.weeks[-1] + dt.timedelta(days=7))
    return stops_in(found.plant.pk, now, ends)


def _entry(request: Request, pk: int) -> PlannedVisit:
    rows = PlannedVisit.objects.for_user(request.user).select_related("machine__line__plant")
    return get_object_or_404(rows, pk=pk)


def _answer(request: Request, plant: Plant, now: dt.datetime, said: str) -> HttpResponse:
    """After a change: the plan anew, in place or as a page of its own."""
    if request.htmx:
        return shown(request, plant, now)
    messages.success(request, said)
    number = SpanForm(request.GET).number()
    return redirect(f"{reverse('planning:plan')}?plant={plant.pk}&weeks={number}")


def _refused(request: Request, machine: Machine, now: dt.datetime, problem: str, status: int = 422) -> HttpResponse:
    return shown(request, machine.line.plant, now, problem=problem, about=machine.pk, status=status)


@require_POST
@needs(Permission.PLAN)
def change(request: Request, pk: int) -> HttpResponse:
    """Move an entry, change its hours, pin it or let it go."""
    entry, now = _entry(request, pk), timezone.now()
    form = EntryForm(request.POST)
    if not form.is_valid():
        return _refused(request, entry.machine, now, form.problem())
    try:
        services.change(by=request.user, at=now, entry=entry, **form.facts())
    except Refused as refusal:
        return _refused(request, entry.machine, now, refusal.message, refusal.status)
    return _answer(request, entry.machine.line.plant, now, f"Stored: {entry.machine}.")


@require_POST
@needs(Permission.PLAN)
def crew(request: Request, plant_id: int) -> HttpResponse:
    """Set the crew's hours of one week."""
    plant, now = get_object_or_404(Plant.objects.for_user(request.user), pk=plant_id), timezone.now()
    form = CrewForm(request.POST)
    if not form.is_valid():
        return shown(request, plant, now, problem=form.problem(), status=422)
    try:
        services_crew.set_hours(by=request.user, at=now, plant=plant, **form.cleaned_data)
    except Refused as refusal:
        return shown(request, plant, now, problem=refusal.message, status=refusal.status)
    return _answer(request, plant, now, "Stored: the crew's hours.")


@require_POST
@needs(Permission.PLAN)
def take_out(request: Request, pk: int) -> HttpResponse:
    """Take an entry out of the plan."""
    entry, now = _entry(request, pk), timezone.now()
    form = VersionForm(request.POST)
    if not form.is_valid():
        return _refused(request, entry.machine, now, "Reload the page and press it again.")
    try:
        services.take_out(by=request.user, at=now, entry=entry, version=form.cleaned_data["version"])
    except Refused as refusal:
        return _refused(request, entry.machine, now, refusal.message, refusal.status)
    return _answer(request, entry.machine.line.plant, now, f"Taken out: {entry.machine}.")


@require_POST
@needs(Permission.PLAN)
def add(request: Request, pk: int) -> HttpResponse:
    """Put a machine into a week by hand."""
    rows = Machine.objects.for_user(request.user).select_related("line__plant")
    machine, now = get_object_or_404(rows, pk=pk), timezone.now()
    form = AddForm(request.POST)
    if not form.is_valid():
        return _refused(request, machine, now, form.problem())
    found = coming(machine.line.plant, calendar.FEWEST, at=now, only=machine).machines[machine.pk]
    data = form.cleaned_data
    facts = {"week": data["week"], "hours": data["hours"], "reason": found.reason}
    try:
        services.put(by=request.user, at=now, machine=machine, pinned=True, **facts)
    except Refused as refusal:
        return _refused(request, machine, now, refusal.message, refusal.status)
    return _answer(request, machine.line.plant, now, f"Planned: {machine}.")


@require_POST
@needs(Permission.PLAN)
def accept(request: Request, plant_id: int) -> HttpResponse:
    """Store the chosen changes of the suggestion that was seen; another one meanwhile is shown instead."""
    plant, now = get_object_or_404(Plant.objects.for_user(request.user), pk=plant_id), timezone.now()
    found = read(plant, SpanForm(request.GET).number(), now)
    suggestion = found["suggestion"]
    form = AcceptForm(request.POST, machines=[one.machine for one in suggestion.changes])
    if request.POST.get("digest") != suggestion.digest:
        said = "What the suggestion rested on has changed meanwhile: this is the new one, nothing was stored."
        return shown(request, plant, now, problem=said, status=409)
    if not form.is_valid() or not form.cleaned_data["take"]:
        return shown(request, plant, now, problem="Tick at least one change to take over.", status=422)
    taken = set(form.cleaned_data["take"])
    machines = found["coming"].machines
    changes = [(one, machines[one.machine].reason) for one in suggestion.changes if one.machine in taken]
    done = services.accept(by=request.user, at=now, plant=plant, changes=changes)
    return _answer(request, plant, now, f"{done} changes taken over.")
