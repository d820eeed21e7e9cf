"""The life of a machine's bushings: the page and its chart."""

from __future__ import annotations

from django.http import HttpResponse, JsonResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET

from linelog.alignment.bushings import position_words
from linelog.alignment.models import BushingPosition, Visit
from linelog.plant.requests import Request
from linelog.production.days import local_day
from linelog.trends.bushings.captions import expected_words, growth_words, headline
from linelog.trends.bushings.charts import bushing_figure
from linelog.trends.bushings.life import lives
from linelog.trends.queries.machine import machine_for
from linelog.web import units
from linelog.web.permissions import Permission, may, needs

MOST_POSITIONS = 20


@require_GET
@needs(Permission.VIEW)
def page(request: Request, pk: int) -> HttpResponse:
    """Show each bushing: since when it runs, its clearance and growth, the day of its limit, its positions."""
    machine, unit = machine_for(request.user, pk), units.of(request.user)
    today = local_day(machine.line.plant, timezone.now())
    found = lives(machine, today)
    shown = [
        {
            "life": life,
            "headline": headline(life, unit),
            "growth": growth_words(life, unit),
            "expected": expected_words(life, today),
        }
        for life in found
    ]
    positions = (
        BushingPosition.objects.filter(visit__machine=machine, visit__state=Visit.State.SIGNED)
        .select_related("station", "visit")
        .order_by("-at", "-pk")[:MOST_POSITIONS]
    )
    context = {
        "machine": machine,
        "shown": shown,
        "drawn": any(life.measured for life in found),
        "positions": [(row, position_words(row, unit)) for row in positions],
        "may_set_up": may(request.user, Permission.SET_UP),
    }
    return render(request, "trends/bushings.html", context)


@require_GET
@needs(Permission.VIEW)
def figures(request: Request, pk: int) -> JsonResponse:
    """Return the chart for plotly in the browser."""
    machine = machine_for(request.user, pk)
    found = lives(machine, local_day(machine.line.plant, timezone.now()))
    if not any(life.measured for life in found):
        return JsonResponse({})
    return JsonResponse({"bushings": bushing_figure(found, units.of(request.user))})
