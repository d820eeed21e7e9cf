"""A machine's page, its figures, and the numbers under them."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.core.paginator import Paginator
from django.http import Http404, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET
from django.views.decorators.vary import vary_on_headers

from linelog.plant.models import Machine, Station
from linelog.plant.requests import Request
from linelog.production.days import local_day, production_day
from linelog.trends import words
from linelog.trends.choice import Choice, ChoiceForm, usual
from linelog.trends.clock import clock_figure, clock_words, clocks
from linelog.trends.control.said import open_signals
from linelog.trends.figures import time_figure
from linelog.trends.key import key_of
from linelog.trends.queries.machine import Head, head, machine_for, often_out, stations_of
from linelog.trends.repeats.shown import lines_of
from linelog.trends.said import all_said, count_notes
from linelog.trends.tables import TABLES, TITLES, Table, as_csv
from linelog.trends.trend import Trend, load
from linelog.trends.views.fragments import wants_fragment
from linelog.web import units
from linelog.web.errors import Refused
from linelog.web.permissions import Permission, may, needs

ROWS_A_PAGE = 40
MOST_FIRST = 3  # stations drawn before anybody chose: more lines than these hide each other


@require_GET
@vary_on_headers("HX-Request")
@needs(Permission.VIEW)
def machine(request: Request, pk: int) -> HttpResponse:
    """Show a machine: how it stands, what is open, and its trends in the chosen span."""
    found = machine_for(request.user, pk)
    stations = stations_of(found)
    now = timezone.now()
    today = production_day(found.line.plant, now)
    top = head(found, today, now)
    first = _first_shown(found, top, stations, today)
    form = ChoiceForm(request.GET, stations=stations, usual=usual(first, today))
    trend = load(found, stations, form.choice())
    context = {"machine": found, "head": top, "today": today, "form": form, **_shown(trend)}
    context["may_open"] = may(request.user, Permission.LOG_VISIT)
    context["may_plan"] = may(request.user, Permission.PLAN)
    context["repeats"] = lines_of(found.pk)
    context["signals"] = open_signals(request.user, found)
    context["age"] = words.ago(top.last_day, local_day(found.line.plant, now)) if top.last_day else ""
    template = "trends/machine.html#trend" if wants_fragment(request) else "trends/machine.html"
    return render(request, template, context, status=200 if form.is_valid() else 422)


def _first_shown(found: Machine, top: Head, stations: list[Station], today: dt.date) -> list[int]:
    """Choose the stations for someone who has not chosen: the worst now, and those found out most often in a year."""
    worst = [top.state.worst.station.pk] if top.state.worst else []
    chosen = dict.fromkeys([*worst, *often_out(found, today - dt.timedelta(days=365))])
    return list(chosen)[:MOST_FIRST] or [station.pk for station in stations[:1]]


def _shown(trend: Trend) -> dict[str, Any]:
    said = all_said(trend)
    return {
        "key": key_of(trend),
        "said": said,
        "notes": count_notes(trend),
        "drawn": any(one.drawn for one in said),
        "clocks": [{"clock": one, "words": clock_words(one)} for one in clocks(trend)],
        "titles": TITLES,
        "query": trend.choice.query,
    }


@require_GET
@needs(Permission.VIEW)
def short(request: Request, pk: int) -> HttpResponse:
    """Lead from the short address on a machine's label to its page."""
    return redirect("trends:machine", machine_for(request.user, pk).pk)


def _asked(request: Request, pk: int) -> Trend:
    """Load the trend that an address asks for; refuse one that makes no sense."""
    found = machine_for(request.user, pk)
    stations = stations_of(found)
    return load(found, stations, _choice(request, found, stations))


def _choice(request: Request, found: Machine, stations: list[Station]) -> Choice:
    today = production_day(found.line.plant, timezone.now())
    form = ChoiceForm(request.GET, stations=stations, usual=usual([one.pk for one in stations[:1]], today))
    for errors in form.errors.values():
        raise Refused(str(errors[0]))
    return form.choice()


@require_GET
@needs(Permission.VIEW)
def figures(request: Request, pk: int) -> JsonResponse:
    """Return the page's figures by name, for plotly in the browser."""
    trend = _asked(request, pk)
    unit = units.of(request.user)
    made = {"time": time_figure(trend, unit)}
    made |= {clock.key: clock_figure(clock, trend, unit) for clock in clocks(trend)}
    return JsonResponse({name: figure for name, figure in made.items() if figure is not None})


def _table(request: Request, pk: int, what: str) -> tuple[Trend, Table]:
    if what not in TABLES:
        raise Http404
    trend = _asked(request, pk)
    return trend, TABLES[what](trend, units.of(request.user))


@require_GET
@vary_on_headers("HX-Request")
@needs(Permission.VIEW)
def numbers(request: Request, pk: int, what: str) -> HttpResponse:
    """Show the numbers under a chart, page by page."""
    trend, table = _table(request, pk, what)
    page = Paginator(table.rows, ROWS_A_PAGE).get_page(request.GET.get("page"))
    rows = [zip(row, table.columns, strict=True) for row in page.object_list]
    context = {
        "machine": trend.machine,
        "table": table,
        "page": page,
        "rows": rows,
        "what": what,
        "query": trend.choice.query,
    }
    template = "trends/numbers.html#rows" if wants_fragment(request) else "trends/numbers.html"
    return render(request, template, context)


@require_GET
@needs(Permission.VIEW)
def numbers_csv(request: Request, pk: int, what: str) -> HttpResponse:
    """Give the numbers under a chart as a file."""
    trend, table = _table(request, pk, what)
    name = f"machine-{trend.machine.pk}-{what}.csv"
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return HttpResponse(as_csv(table), content_type="text/csv; charset=utf-8", headers=headers)
