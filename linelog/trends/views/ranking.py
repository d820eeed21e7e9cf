"""The machines ranked by their rates: a table and a funnel plot."""

from __future__ import annotations

from django.http import HttpResponse, JsonResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from linelog.plant.requests import Request
from linelog.trends.ranking.funnel import funnel_figure
from linelog.trends.ranking.shown import ChoiceForm, boards, fits_for, names_of
from linelog.web.permissions import Permission, needs


@require_GET
@needs(Permission.VIEW)
def ranking(request: Request) -> HttpResponse:
    """Rank the machines by a count over a span."""
    form = ChoiceForm(request.GET)
    measure, days = form.asked()
    context = {
        "form": form,
        "boards": boards(request.user, measure, days),
        "measure": measure,
        "query": request.GET.urlencode(),
    }
    return render(request, "trends/ranking.html", context, status=200 if form.is_valid() else 422)


@require_GET
@needs(Permission.VIEW)
def figures(request: Request) -> JsonResponse:
    """Return the funnel plots, for plotly in the browser."""
    measure, days = ChoiceForm(request.GET).asked()
    fits = fits_for(request.user, measure, days)
    names = names_of(fits)
    made = {f"funnel-{fit.plant_id}": funnel_figure(fit, measure, names) for fit in fits}
    return JsonResponse({name: figure for name, figure in made.items() if figure is not None})
