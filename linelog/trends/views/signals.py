"""Control charts and their signals: of all machines, of one, and what was found behind them."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from linelog.plant.models import Machine
from linelog.plant.requests import Request
from linelog.production.days import production_day
from linelog.trends import words
from linelog.trends.control import queries, said, services
from linelog.trends.control.figures import control_figure
from linelog.trends.control.forms import AnswerForm, ChartForm, ChoiceForm
from linelog.trends.control.nearby import changes_near
from linelog.trends.control.tables import numbers
from linelog.trends.models.control import Signal
from linelog.trends.queries.machine import machine_for
from linelog.web.errors import Conflict, Refused
from linelog.web.permissions import Permission, may, needs

ROWS_A_PAGE = 40
OF_MACHINE = 40


@require_GET
@needs(Permission.VIEW)
def everything(request: Request) -> HttpResponse:
    """List the signals of all machines as chosen, the newest first."""
    form = ChoiceForm(request.GET, user=request.user)
    good = form.is_valid()
    rows = queries.signals_for(request.user, form.cleaned_data if good else {"state": "open"}, timezone.localdate())
    page = Paginator(rows, ROWS_A_PAGE).get_page(request.GET.get("page"))
    kept = request.GET.copy()
    kept.pop("page", None)
    context = {"form": form, "page": page, "lines": _lines(list(page.object_list)), "query": kept.urlencode()}
    return render(request, "trends/signals.html", context, status=200 if good else 422)


def _lines(signals: list[Signal]) -> list[said.Line]:
    near = changes_near(signals)
    return [said.line(signal, near.get(signal.pk, [])) for signal in signals]


@require_GET
@needs(Permission.VIEW)
def of_machine(request: Request, pk: int) -> HttpResponse:
    """Show the control charts of a machine and its signals."""
    machine = machine_for(request.user, pk)
    form = ChartForm(request.GET)
    chosen = form.chosen()
    seen = _watched(machine, chosen)
    rows = queries.signals_for(request.user, {"machine": pk, "measure": chosen["measure"]}, timezone.localdate())
    lines = _lines(list(rows.filter(day__gte=seen.since)[:OF_MACHINE]))
    context: dict[str, Any] = {
        "machine": machine,
        "form": form,
        "seen": seen,
        "lines": lines,
        "grain": chosen["grain"],
        "measure": said.BY_KEY[chosen["measure"]],
        "basis": said.basis(seen.drawn, chosen["grain"], seen.since) if seen.drawn else [],
        "how_read": said.how_read(),
        "query": request.GET.urlencode(),
        "numbers": numbers(seen) if seen.drawn else [],
    }
    return render(request, "trends/machine_signals.html", context, status=200 if form.is_valid() else 422)


def _watched(machine: Machine, chosen: dict[str, str]) -> queries.Watched:
    today = production_day(machine.line.plant, timezone.now())
    since = today - dt.timedelta(days=int(chosen["span"]) - 1)
    return queries.watched(machine, said.BY_KEY[chosen["measure"]], chosen["grain"], since)


@require_GET
@needs(Permission.VIEW)
def figures(request: Request, pk: int) -> JsonResponse:
    """Return the charts of a machine, for plotly in the browser."""
    machine, form = machine_for(request.user, pk), ChartForm(request.GET)
    if not form.is_valid():
        raise Refused("There is no such chart: take one of those shown.")
    seen = _watched(machine, form.chosen())
    if seen.drawn is None or seen.points == 0:
        return JsonResponse({})
    return JsonResponse({"control": control_figure(seen.drawn, seen.since, seen.shifts)})


@require_GET
@needs(Permission.VIEW)
def one(request: Request, pk: int) -> HttpResponse:
    """Show one signal with what had changed near it."""
    signal = queries.signal_for(request.user, pk)
    return _page(request, signal, AnswerForm(initial={"found": signal.found, "version": signal.version}))


@require_http_methods(["GET", "POST"])
@needs(Permission.FOLLOW_UP)
def answer(request: Request, pk: int) -> HttpResponse:
    """Take in what was found behind a signal."""
    signal = queries.signal_for(request.user, pk)
    if request.method == "GET":
        return redirect("trends:signal", pk)
    form, theirs, status = AnswerForm(request.POST), None, 422
    if form.is_valid():
        try:
            closed = services.say(by=request.user, at=timezone.now(), signal=signal, **form.cleaned_data)
        except Conflict as conflict:
            theirs, status = conflict.theirs, conflict.status
            form.data = {**request.POST.dict(), "version": theirs.version}
        else:
            messages.success(request, f"Noted for {words.plural(len(closed), 'signal')}.")
            return redirect("trends:signal", pk)
    return _page(request, signal, form, theirs=theirs, status=status)


def _page(
    request: Request, signal: Signal, form: AnswerForm, *, theirs: Signal | None = None, status: int = 200
) -> HttpResponse:
    context = {
        "signal": signal,
        "line": _lines([signal])[0],
        "along": list(services.alongside(signal).select_related("machine__line__plant")),
        "form": form,
        "theirs": theirs,
        "may_follow_up": may(request.user, Permission.FOLLOW_UP),
    }
    return render(request, "trends/signal.html", context, status=status)
