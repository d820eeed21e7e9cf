"""Rates before and after every visit."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django.http import HttpResponse, JsonResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET
from django.views.decorators.vary import vary_on_headers

from linelog.plant.models import Machine
from linelog.plant.requests import Request
from linelog.production.days import production_day
from linelog.trends.evidence import around
from linelog.trends.evidence.forest import forest_figure
from linelog.trends.evidence.forms import AroundForm, since
from linelog.trends.evidence.scope import SPOILED
from linelog.trends.fleet import natural
from linelog.trends.models import Around
from linelog.trends.views.evidence import plant_for
from linelog.trends.views.fragments import wants_fragment
from linelog.web.errors import Refused
from linelog.web.permissions import Permission, needs
from linelog.web.requests import query_without_page, whole

MOST_PAGES = 10_000


def _asked(request: Request) -> tuple[AroundForm, dict[str, Any], QuerySet[Around]]:
    plant = plant_for(request)
    machines = list(Machine.objects.filter(line__plant=plant).values_list("pk", "name"))
    form = AroundForm(request.GET, machines=sorted(machines, key=lambda pair: natural(pair[1])))
    asked = form.asked()
    chosen = [asked["machine"]] if asked["machine"] else [pk for pk, _ in machines]
    first = since(asked["span"], production_day(plant, timezone.now()))
    return form, asked, around.rows_of(chosen, window=asked["window"], since=first, measure=asked["measure"])


@require_GET
@vary_on_headers("HX-Request")
@needs(Permission.VIEW)
def before_after(request: Request) -> HttpResponse:
    """Show the rates before and after the visits: by reason, by machine, and each."""
    form, asked, rows = _asked(request)
    page = min(max(whole(request.GET.get("page", "1")) or 1, 1), MOST_PAGES)
    each, has_older = around.visits(rows, page)
    context = {
        "form": form,
        "asked": asked,
        "per": (10_000.0, 3, "% of cans") if asked["measure"] == SPOILED else (1.0, 1, "per million cans"),
        "reasons": around.by_reason(rows),
        "machines": around.by_machine(rows),
        "each": around.with_more(each, asked["change"]),
        "page": page,
        "older": page + 1 if has_older else 0,
        "query": query_without_page(request),
    }
    template = "trends/before_after.html#around" if wants_fragment(request) else "trends/before_after.html"
    return render(request, template, context, status=200 if form.is_valid() else 422)


@require_GET
@needs(Permission.VIEW)
def before_after_figures(request: Request) -> JsonResponse:
    """Return the forest plots by reason and by machine."""
    form, _, rows = _asked(request)
    for errors in form.errors.values():
        raise Refused(str(errors[0]))
    made = {"reasons": forest_figure(around.by_reason(rows)), "machines": forest_figure(around.by_machine(rows))}
    return JsonResponse({name: figure for name, figure in made.items() if figure is not None})
