"""Tools and wall of one machine: the page, its figures and its numbers."""

from __future__ import annotations

from dataclasses import replace

from django.core.paginator import Paginator
from django.http import HttpResponse, JsonResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET
from django.views.decorators.vary import vary_on_headers

from linelog.plant.ironing import change_words
from linelog.plant.requests import Request
from linelog.production.wall_words import NEXT
from linelog.trends.queries.machine import machine_for
from linelog.trends.tables import as_csv
from linelog.trends.views.fragments import wants_fragment
from linelog.trends.wall import WallPage, load
from linelog.trends.wall_figures import figures, names
from linelog.trends.wall_pairs import LEARN_DAYS, SHOWN_DAYS
from linelog.trends.wall_said import mean_words, said
from linelog.trends.wall_tables import on_the_page, wall_table
from linelog.web import units
from linelog.web.permissions import Permission, may, needs

ROWS_A_PAGE = 40


def _page(request: Request, pk: int) -> WallPage:
    return load(machine_for(request.user, pk), timezone.now())


@require_GET
@vary_on_headers("HX-Request")
@needs(Permission.VIEW)
def wall(request: Request, pk: int) -> HttpResponse:
    """Show the tools on a machine, what they do to the cup, and what the wall of its cans says."""
    page, unit = _page(request, pk), units.of(request.user)
    table = wall_table(page, unit)
    turned = Paginator(table.rows, ROWS_A_PAGE).get_page(request.GET.get("page"))
    since_new = page.schedule.since_new if page.schedule else None
    latest = page.latest
    context = {
        "machine": page.machine,
        "page": page,
        "found": page.schedule,
        "since_new": change_words(since_new, unit) if since_new else [],
        "figures": names(page),
        "said": said(page, unit),
        "mean_words": mean_words(page, unit),
        "what_next": NEXT[max(page.latest_heights, key=lambda one: one.judged_um).state] if latest else "",
        "turned": turned,
        "tables": [
            {"table": one, "rows": [zip(row, one.columns, strict=True) for row in one.rows]}
            for one in on_the_page(replace(table, rows=list(turned.object_list)))
        ],
        "days": {"shown": SHOWN_DAYS, "learn": LEARN_DAYS},
        "may_enter": may(request.user, Permission.ENTER_WALL),
        "may_set_up": may(request.user, Permission.SET_UP),
    }
    return render(request, "trends/wall.html#rows" if wants_fragment(request) else "trends/wall.html", context)


@require_GET
@needs(Permission.VIEW)
def wall_figures(request: Request, pk: int) -> JsonResponse:
    """Return the page's figures by name, for plotly in the browser."""
    return JsonResponse(figures(_page(request, pk), units.of(request.user)))


@require_GET
@needs(Permission.VIEW)
def wall_csv(request: Request, pk: int) -> HttpResponse:
    """Give the numbers as a file."""
    page = _page(request, pk)
    headers = {"Content-Disposition": f'attachment; filename="machine-{page.machine.pk}-wall.csv"'}
    text = as_csv(wall_table(page, units.of(request.user)))
    return HttpResponse(text, content_type="text/csv; charset=utf-8", headers=headers)
