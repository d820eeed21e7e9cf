"""The page of the common line: which bushings and stations to open so that all end within their limits."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET

from linelog.alignment.adjuster_state import with_present_state
from linelog.alignment.bushings import position_words
from linelog.alignment.common_line import Answer, Bushing, plan_line
from linelog.alignment.forms.ram import LineForm
from linelog.alignment.line_drawing import draw_line
from linelog.alignment.line_offsets import offsets_of
from linelog.alignment.models import Visit
from linelog.alignment.queries import astray, open_visit_of, stations_of
from linelog.alignment.results.of_visit import left_last, visit_statuses
from linelog.alignment.results.status import StationStatus
from linelog.alignment.results.worn import worn_now
from linelog.alignment.views.ram import machine_of
from linelog.calc.station_state import State
from linelog.plant.lockout import words_of
from linelog.plant.models import Adjuster, Machine, Station
from linelog.plant.requests import Request
from linelog.web import units
from linelog.web.permissions import Permission, needs

LAST_VISITS = 12


def _adjusters(machine: Machine) -> dict[int, list[Adjuster]]:
    rows = Adjuster.objects.filter(station__machine=machine).order_by("station", "order", "pk")
    found: dict[int, list[Adjuster]] = defaultdict(list)
    for row in with_present_state(list(rows.select_related("stock").prefetch_related("stock__thicknesses"))):
        found[row.station_id].append(row)
    return found


def _bushing(
    kind: Station.Kind, stations: list[Station], adjusters: dict[int, list[Adjuster]], z_mm: float | None
) -> Bushing | None:
    """Return a bushing as it can be moved; one that is no station stays where the set-up says, if it says so."""
    row = next((station for station in stations if station.kind == kind), None)
    if row is not None:
        return Bushing(row.name, row.z_mm, row.limit_um, row.hours_to_open, tuple(adjusters[row.pk]))
    return None if z_mm is None else Bushing(kind.label, z_mm)


def _still_open(machine: Machine, stations: list[Station]) -> tuple[Visit | None, list[StationStatus]]:
    """Return the visit of a machine that is open, the stations out in it, or probably so."""
    visit = open_visit_of(machine)
    if visit is None:
        return None, []
    found = visit_statuses(visit, stations, timezone.now())
    left = (left_last(found, station) for station in stations if not station.is_bushing)
    return visit, [one for one in left if one is not None and (one.is_out or one.state is State.PROBABLY_OUT)]


@require_GET
@needs(Permission.VIEW)
def page(request: Request, machine_id: int) -> HttpResponse:
    """Show two or three ways to a common line, drawn before and after."""
    machine = machine_of(request, machine_id)
    visits = Visit.objects.filter(machine=machine).exclude(state=Visit.State.DROPPED).order_by("-opened_at", "-pk")
    form = LineForm(request.GET or None, visits=visits[:LAST_VISITS])
    context: dict[str, Any] = {
        "machine": machine,
        "form": form,
        "lockout_words": words_of(machine),
        "worn": worn_now([machine.pk], timezone.now()).get(machine.pk, []),
        "astray": [(one.station, position_words(one, units.of(request.user))) for one in astray(machine)],
        **_planned(request, machine, form),
    }
    return render(request, "alignment/line.html", context, status=422 if form.errors else 200)


def _planned(request: Request, machine: Machine, form: LineForm) -> dict[str, Any]:
    visit, value, rank = form.choice()
    stations, adjusters, unit = stations_of(machine), _adjusters(machine), units.of(request.user)
    offsets = offsets_of(machine, stations, visit, running=value == "running", at=timezone.now())
    span = machine.bushing_span_mm
    rear = _bushing(Station.Kind.REAR_BUSHING, stations, adjusters, None if span is None else -span)
    front = _bushing(Station.Kind.FRONT_BUSHING, stations, adjusters, 0.0)
    if rear is None or front is None:
        answer = Answer(problem="The machine has no rear bushing among its stations and no bushing span on record.")
    elif not offsets.found:
        answer = Answer()
    else:
        answer = plan_line(offsets, rear, front, adjusters, unit, rank)
    drawn = [(one, draw_line(one, unit)) for one in answer.alternatives]
    stuck = [b.name for b in (rear, front) if b is not None and not b.as_line.reach_um]
    opened, wrong = (None, []) if visit is not None else _still_open(machine, stations)
    return {
        "open_visit": opened,
        "open_wrong": wrong,
        "visit": visit,
        "offsets": offsets,
        "answer": answer,
        "drawn": drawn,
        "rank": rank,
        "stuck": stuck,
    }
