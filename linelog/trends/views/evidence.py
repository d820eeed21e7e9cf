"""Misalignment held against rates, of the fleet and of a machine."""

from __future__ import annotations

import datetime as dt

from django.http import Http404, HttpResponse, JsonResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET
from django.views.decorators.vary import vary_on_headers

from linelog.plant.models import Machine, Plant
from linelog.plant.requests import Request
from linelog.production import weeks
from linelog.production.days import production_day
from linelog.trends.evidence import page
from linelog.trends.evidence.answer import Answer
from linelog.trends.evidence.figures import severity_figure, unit_of
from linelog.trends.evidence.forms import EvidenceForm
from linelog.trends.queries.machine import machine_for
from linelog.trends.state.outlook import WeekTold, coming, week_told
from linelog.trends.views.fragments import wants_fragment
from linelog.web.errors import Refused
from linelog.web.permissions import Permission, needs


def plant_for(request: Request) -> Plant:
    """Return the person's plant; the first one for an administrator, who belongs to none."""
    plant = Plant.objects.for_user(request.user).order_by("pk").first()
    if plant is None:
        raise Http404
    return plant


def _fleet_form(request: Request, plant: Plant) -> EvidenceForm:
    return EvidenceForm(request.GET, plant=plant, sets=page.sets_of(Machine.objects.filter(line__plant=plant)))


def _machine_form(request: Request, machine: Machine) -> EvidenceForm:
    return EvidenceForm(request.GET, plant=machine.line.plant, sets=page.sets_of([machine.pk]))


def _today(plant: Plant) -> dt.date:
    return production_day(plant, timezone.now())


@require_GET
@vary_on_headers("HX-Request")
@needs(Permission.VIEW)
def evidence(request: Request) -> HttpResponse:
    """Show what misalignment goes with, over all machines."""
    plant = plant_for(request)
    form = _fleet_form(request, plant)
    found = page.fleet_page(plant, form.scope(), _today(plant))
    states = coming(plant, weeks.USUAL, at=timezone.now()).machines.values()
    return _shown(request, form, found, plant, None, week_told(states))


@require_GET
@vary_on_headers("HX-Request")
@needs(Permission.VIEW)
def machine_evidence(request: Request, pk: int) -> HttpResponse:
    """Show what misalignment goes with on one machine."""
    machine = machine_for(request.user, pk)
    form = _machine_form(request, machine)
    found = page.machine_page(machine, form.scope(), _today(machine.line.plant))
    return _shown(request, form, found, machine.line.plant, machine)


def _shown(
    request: Request,
    form: EvidenceForm,
    found: page.Page,
    plant: Plant,
    machine: Machine | None,
    coming_week: WeekTold | None = None,
) -> HttpResponse:
    unit, per, decimals = unit_of(found.scope)
    points = [
        {"point": one, "rate": [f"{value / per:.{decimals}f}" for value in (one.rate, one.low, one.high)]}
        for one in found.answer.points
    ]
    context = {"form": form, "found": found, "plant": plant, "machine": machine, "unit_of_rate": unit}
    context |= {"points": points, "query": request.GET.urlencode(), "coming_week": coming_week}
    template = "trends/evidence.html#evidence" if wants_fragment(request) else "trends/evidence.html"
    return render(request, template, context, status=200 if form.is_valid() else 422)


def _figure(form: EvidenceForm, found: Answer) -> JsonResponse:
    figure = severity_figure(form.scope(), found)
    return JsonResponse({"severity": figure} if figure else {})


def _checked(form: EvidenceForm) -> EvidenceForm:
    for errors in form.errors.values():
        raise Refused(str(errors[0]))
    return form


@require_GET
@needs(Permission.VIEW)
def evidence_figures(request: Request) -> JsonResponse:
    """Return the chart of the fleet."""
    plant = plant_for(request)
    form = _checked(_fleet_form(request, plant))
    return _figure(form, page.fleet_answer(plant, form.scope(), _today(plant)))


@require_GET
@needs(Permission.VIEW)
def machine_evidence_figures(request: Request, pk: int) -> JsonResponse:
    """Return the chart of one machine."""
    machine = machine_for(request.user, pk)
    form = _checked(_machine_form(request, machine))
    return _figure(form, page.machine_answer(machine, form.scope(), _today(machine.line.plant)))
