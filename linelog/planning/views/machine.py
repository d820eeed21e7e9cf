"""The next visit of a machine: why, when, on what that rests; and the sheet to take along."""

from __future__ import annotations

from django.http import HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.views.decorators.http import require_GET

from linelog.alignment.models import Visit
from linelog.planning import sheet as sheets
from linelog.planning.figures import drawn, risk_figure
from linelog.planning.models import PlannedVisit
from linelog.planning.queries import entries_of
from linelog.plant.models import Machine
from linelog.plant.requests import Request
from linelog.production import weeks as calendar
from linelog.production.days import zone
from linelog.trends.state.outlook import coming
from linelog.trends.state.todo import todo
from linelog.web import units
from linelog.web.permissions import Permission, may, needs

SHOWN = 12


def _machine(request: Request, pk: int) -> Machine:
    return get_object_or_404(Machine.objects.for_user(request.user).select_related("line__plant"), pk=pk)


@require_GET
@needs(Permission.VIEW)
def machine(request: Request, pk: int) -> HttpResponse:
    """Show when a machine is due and why, station by station."""
    found, now = _machine(request, pk), timezone.now()
    ahead = coming(found.line.plant, calendar.USUAL, at=now, only=found)
    outlook = ahead.machines[found.pk]
    entries = list(entries_of(found)[:SHOWN])
    context = {
        "machine": found,
        "outlook": outlook,
        "todo": todo(outlook),
        "open_visits": list(found.visits.filter(state=Visit.State.OPEN).order_by("-opened_at")),
        "coming": ahead,
        "drawn": drawn(outlook),
        "undrawn": [one for one in outlook.places if not one.place.is_known],
        "entries": entries,
        "open": next((one for one in entries if one.state == PlannedVisit.State.PLANNED), None),
        "may_plan": may(request.user, Permission.PLAN),
        "may_open": may(request.user, Permission.LOG_VISIT),
    }
    return render(request, "planning/machine.html", context)


@require_GET
@needs(Permission.VIEW)
def figures(request: Request, pk: int) -> JsonResponse:
    """Return the page's figure for plotly in the browser."""
    found = _machine(request, pk)
    outlook = coming(found.line.plant, calendar.FEWEST, at=timezone.now(), only=found).machines[found.pk]
    figure = risk_figure(outlook)
    return JsonResponse({} if figure is None else {"risk": figure})


@require_GET
@needs(Permission.VIEW)
def sheet(request: Request, pk: int) -> HttpResponse:
    """Give the sheet for the next visit as a PDF."""
    found, now = _machine(request, pk), timezone.now()
    outlook = coming(found.line.plant, calendar.FEWEST, at=now, only=found).machines[found.pk]
    entry = entries_of(found).filter(state=PlannedVisit.State.PLANNED).first()
    made = f"Printed {now.astimezone(zone(found.line.plant)):%Y-%m-%d %H:%M}"
    content = sheets.pdf_of(sheets.read(outlook, entry, made, now), units.of(request.user))
    name = sheets.machine_sheet_name(found)
    headers = {"Content-Disposition": f'inline; filename="{name}"'}
    return HttpResponse(content, content_type="application/pdf", headers=headers)
