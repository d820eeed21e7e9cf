"""The page of the hanging ram."""

from __future__ import annotations

from dataclasses import dataclass

from django.http import HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_GET

from linelog.alignment.forms.ram import PositionForm
from linelog.alignment.hanging import (
    Hangs,
    Positions,
    at_stations,
    lines_of,
    positions_read,
    record_of,
    usual_position,
)
from linelog.alignment.queries import stations_of
from linelog.alignment.ram_figure import ram_figure
from linelog.calc.errors import CalcError
from linelog.plant.models import Machine, Station
from linelog.plant.ram import HangingRam, Record
from linelog.plant.requests import Request
from linelog.web import units
from linelog.web.errors import Refused
from linelog.web.permissions import Permission, may, needs


def machine_of(request: Request, machine_id: int) -> Machine:
    """Return a machine that this person may see."""
    machines = Machine.objects.for_user(request.user).select_related("line__plant")
    machine: Machine = get_object_or_404(machines, pk=machine_id)
    return machine


@dataclass(frozen=True, slots=True)
class Asked:
    """What the page and its chart are made of; `problem` says why a ram position typed earlier cannot be."""

    record: Record
    stations: list[Station]
    read: Positions
    form: PositionForm | None = None
    chosen_mm: float = 0.0
    hangs: tuple[Hangs, ...] = ()
    problem: str = ""


def _asked(request: Request, machine: Machine) -> Asked:
    record, stations, read = record_of(machine), stations_of(machine), positions_read(machine)
    if record.hanging is None:
        return Asked(record, stations, read)
    usual = usual_position(record.hanging, read)
    unit = units.of(request.user)
    form = PositionForm(request.GET or None, stroke_mm=record.hanging.stroke_mm, usual_mm=usual, unit=unit)
    chosen = form.chosen_mm()
    try:
        hangs = at_stations(record.hanging, stations, read, chosen)
    except CalcError as error:
        return Asked(record, stations, read, form, chosen, problem=error.message)
    return Asked(record, stations, read, form, chosen, hangs)


@require_GET
@needs(Permission.VIEW)
def page(request: Request, machine_id: int) -> HttpResponse:
    """Show how the ram hangs where each station is read, and what that rests on."""
    machine = machine_of(request, machine_id)
    asked = _asked(request, machine)
    visit = next((reading.visit for reading in asked.read.values()), None)
    travels = sorted({one.travel_mm for one in asked.read.values() if one.travel_mm is not None})
    context = {
        "machine": machine,
        "asked": asked,
        "hanging": asked.record.hanging,
        "visit": visit,
        "travels": travels,
        "may_set_up": may(request.user, Permission.SET_UP),
    }
    status = 422 if asked.form is not None and asked.form.errors else 200
    return render(request, "alignment/ram.html", context, status=status)


@require_GET
@needs(Permission.VIEW)
def figures(request: Request, machine_id: int) -> JsonResponse:
    """Return the chart for plotly in the browser; nothing where there is no beam."""
    machine = machine_of(request, machine_id)
    asked = _asked(request, machine)
    hanging: HangingRam | None = asked.record.hanging
    if hanging is None:
        return JsonResponse({})
    if asked.form is not None and asked.form.errors:
        raise Refused(str(next(iter(asked.form.errors.values()))[0]))
    lines = lines_of(hanging, asked.chosen_mm)
    told = units.of(request.user), units.slope_unit_of(request.user)
    return JsonResponse({"ram": ram_figure(hanging, lines, asked.hangs, asked.stations, *told)})
