"""Pareto charts of findings, their figures and numbers."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.http import Http404, HttpResponse, JsonResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET
from django.views.decorators.vary import vary_on_headers

from linelog.plant.models import Plant
from linelog.plant.requests import Request
from linelog.production.days import local_day
from linelog.trends.finding_forms import MOST_DAYS, ParetoForm
from linelog.trends.pareto import Chart, Choice, charts
from linelog.trends.pareto_figures import MOST_BARS, pareto_figure
from linelog.trends.queries.pareto import last_day_made, read_material
from linelog.trends.views.fragments import wants_fragment
from linelog.web.errors import Refused
from linelog.web.permissions import Permission, needs

USUAL_DAYS = 182


@dataclass(frozen=True, slots=True)
class Asked:
    """What the address asks for, worked out."""

    form: ParetoForm
    since: dt.date
    until: dt.date
    charts: tuple[Chart, ...]


def _asked(request: Request) -> Asked:
    plant = _plant_of(request)
    today = local_day(plant, timezone.now())  # as the days of findings, which a person types
    last = min(last_day_made(plant) or today, today)
    form = ParetoForm(request.GET, plant=plant)
    choice = form.cleaned_data if form.is_valid() else {}
    until = choice.get("until") or max(last, choice.get("since") or last)
    since = choice.get("since") or until - dt.timedelta(days=USUAL_DAYS - 1)
    if (until - since).days >= MOST_DAYS:
        form.add_error("since", f"Choose a span of {MOST_DAYS} days at most.")
        since = until - dt.timedelta(days=USUAL_DAYS - 1)
    one = {name: choice[name].pk if choice.get(name) else None for name in ("code", "machine")}
    found = charts(read_material(plant, since, until), Choice(one["code"], one["machine"]))
    return Asked(form, since, until, tuple(found))


def _plant_of(request: Request) -> Plant:
    """Return the person's plant; one who belongs to none looks at the first."""
    plant = Plant.objects.for_user(request.user).first()
    if plant is None:
        raise Http404
    return plant


@require_GET
@vary_on_headers("HX-Request")
@needs(Permission.VIEW)
def pareto(request: Request) -> HttpResponse:
    """Show which machines, codes, stations and tooling sets have more findings than chance explains."""
    asked = _asked(request)
    context = {
        "form": asked.form,
        "since": asked.since,
        "until": asked.until,
        "charts": asked.charts,
        "most_bars": MOST_BARS,
        "query": request.GET.urlencode(),
        "chosen_machine": asked.form.is_valid() and asked.form.cleaned_data.get("machine"),
    }
    template = "trends/pareto.html#charts" if wants_fragment(request) else "trends/pareto.html"
    return render(request, template, context, status=200 if asked.form.is_valid() else 422)


@require_GET
@needs(Permission.VIEW)
def figures(request: Request) -> JsonResponse:
    """Return the charts by name, for plotly in the browser."""
    asked = _asked(request)
    for errors in asked.form.errors.values():
        raise Refused(str(errors[0]))
    made = {chart.key: pareto_figure(chart) for chart in asked.charts}
    return JsonResponse({name: figure for name, figure in made.items() if figure is not None})
