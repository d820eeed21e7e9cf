"""What was said of the risk before visits, and what they found."""

from __future__ import annotations

from django.http import HttpResponse, JsonResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from linelog.plant.requests import Request
from linelog.trends.due.shown import curve_figure, curves, fits_for
from linelog.web.permissions import Permission, needs


@require_GET
@needs(Permission.VIEW)
def said(request: Request) -> HttpResponse:
    """Show the curve of each plant."""
    return render(request, "trends/said.html", {"curves": curves(request.user)})


@require_GET
@needs(Permission.VIEW)
def figures(request: Request) -> JsonResponse:
    """Return the charts, for plotly in the browser."""
    made = {f"said-{fit.plant_id}": curve_figure(fit) for fit in fits_for(request.user)}
    return JsonResponse({name: figure for name, figure in made.items() if figure is not None})
