"""The page where the captures of one warm-up stand side by side."""

from __future__ import annotations

from django.http import Http404, HttpResponse, JsonResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from linelog.alignment.captures.warm_up import (
    Series,
    limit_words,
    point_rows,
    series_of,
    tell,
    trend_rows,
    without_minutes,
)
from linelog.alignment.captures.warm_up_figure import warm_up_figures
from linelog.alignment.views.ram import machine_of
from linelog.plant.models import Machine
from linelog.plant.requests import Request
from linelog.web import units
from linelog.web.permissions import Permission, may, needs

ASKED = "of"


def _asked(request: Request, machine: Machine) -> tuple[list[Series], Series | None]:
    """Return the warm-ups of a machine and the one asked for, the newest unless an address names another."""
    found, asked = series_of(machine, request.user), request.GET.get(ASKED, "")
    if not asked:
        return found, found[0] if found else None
    for series in found:
        if asked == str(series.key):
            return found, series
    raise Http404


@require_GET
@needs(Permission.VIEW)
def page(request: Request, machine_id: int) -> HttpResponse:
    """Show a warm-up: offset against minutes and oil, and what it tends to."""
    machine, unit = machine_of(request, machine_id), units.of(request.user)
    found, chosen = _asked(request, machine)
    told = tell(chosen) if chosen else None
    context = {
        "machine": machine,
        "found": found,
        "told": told,
        "trends": trend_rows(told, unit) if told else [],
        "points": point_rows(told, unit) if told else [],
        "limit": limit_words(told, unit) if told else "",
        "has_oil": told is not None and any(one.capture.oil_c is not None for one in told.points),
        "without": without_minutes(machine, request.user),
        "may_send": may(request.user, Permission.LOG_VISIT),
    }
    return render(request, "alignment/warm_up.html", context)


@require_GET
@needs(Permission.VIEW)
def figures(request: Request, machine_id: int) -> JsonResponse:
    """Return the charts for plotly in the browser."""
    machine = machine_of(request, machine_id)
    _, chosen = _asked(request, machine)
    told = tell(chosen) if chosen else None
    if told is None or not told.points:
        return JsonResponse({})
    fahrenheit = units.is_fahrenheit(request.user)
    return JsonResponse(warm_up_figures(told, units.of(request.user), fahrenheit=fahrenheit))
