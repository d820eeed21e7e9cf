"""What was counted after every visit, against what was expected without it."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse, JsonResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET
from django.views.decorators.vary import vary_on_headers

from linelog.plant.models import Machine
from linelog.plant.requests import Request
from linelog.production.days import production_day
from linelog.trends.evidence.before_after import Page, fit_of, page_of
from linelog.trends.evidence.forest import forest_figure
from linelog.trends.evidence.forms import BeforeAfterForm
from linelog.trends.evidence.held import MethodRow, method_rows
from linelog.trends.evidence.scope import SPOILED
from linelog.trends.fleet import natural
from linelog.trends.views.evidence import plant_for
from linelog.trends.views.fragments import wants_fragment
from linelog.web.errors import Refused
from linelog.web.permissions import Permission, needs
from linelog.web.requests import query_without_page, whole

MOST_PAGES = 10_000


def _asked(request: Request, number: int) -> tuple[BeforeAfterForm, dict[str, Any], Page, list[MethodRow]]:
    plant = plant_for(request)
    machines = list(Machine.objects.filter(line__plant=plant).values_list("pk", "name"))
    form = BeforeAfterForm(request.GET, machines=sorted(machines, key=lambda pair: natural(pair[1])))
    asked = form.asked()
    until = production_day(plant, timezone.now())
    fit = fit_of(plant, asked["measure"], asked["window"])
    methods = [] if asked["machine"] else method_rows(plant, fit, asked["span"].value)
    return form, asked, page_of(fit, asked["span"], asked["machine"], number, until), methods


@require_GET
@vary_on_headers("HX-Request")
@needs(Permission.VIEW)
def before_after(request: Request) -> HttpResponse:
    """Show what came after the visits: of all, by the counts before, by reason, by machine, and each."""
    number = min(max(whole(request.GET.get("page", "1")) or 1, 1), MOST_PAGES)
    form, asked, page, methods = _asked(request, number)
    context = {
        "form": form,
        "asked": asked,
        "per": (10_000.0, 3, "% of cans") if asked["measure"] == SPOILED else (1.0, 1, "per million cans"),
        "found": page,
        "methods": methods,
        "page": number,
        "older": number + 1 if page.has_older else 0,
        "query": query_without_page(request),
    }
    template = "trends/before_after.html#visits" if wants_fragment(request) else "trends/before_after.html"
    return render(request, template, context, status=200 if form.is_valid() else 422)


@require_GET
@needs(Permission.VIEW)
def before_after_figures(request: Request) -> JsonResponse:
    """Return the forest plots by reason and by machine."""
    form, _, page, _ = _asked(request, 1)
    for errors in form.errors.values():
        raise Refused(str(errors[0]))
    made = {"reasons": forest_figure([*page.called, *page.reasons]), "machines": forest_figure(page.machines)}
    return JsonResponse({name: figure for name, figure in made.items() if figure is not None})
