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
from linelog.trends.control import queries, said, services, watch_said
from linelog.trends.control.figures import control_figure
from linelog.trends.control.forms import AnswerForm, ChartForm, ChoiceForm, PickForm, seen_in
from linelog.trends.control.nearby import changes_near
from linelog.trends.control.tables import numbers
from linelog.trends.models.control import Signal
from linelog.trends.queries.machine import head, machine_for
from linelog.trends.rates import BY_KEY
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
    fits = queries.watches_for(request.user)
    context = {
        "form": form,
        "page": page,
        "lines": _lines(list(page.object_list)),
        "query": kept.urlencode(),
        "watch": watch_said.of_plants(fits),
        "not_watched": watch_said.left_out(fits, queries.names_for(request.user)),
        "may_pick": may(request.user, Permission.FOLLOW_UP) and form["state"].value() != "earlier",
    }
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
    fit = queries.watch_of(machine.line.plant_id, BY_KEY[chosen["measure"]])
    rows = queries.signals_for(request.user, {"machine": pk, "measure": chosen["measure"]}, timezone.localdate())
    lines = _lines(list(rows.filter(day__gte=seen.since)[:OF_MACHINE]))
    context: dict[str, Any] = {
        "machine": machine,
        "form": form,
        "seen": seen,
        "lines": lines,
        "grain": chosen["grain"],
        "measure": BY_KEY[chosen["measure"]],
        "watch": watch_said.about(BY_KEY[chosen["measure"]], fit),
        "not_watched": watch_said.of_machine(fit, pk),
        "basis": said.basis(seen.drawn, chosen["grain"], seen.since) if seen.drawn else [],
        "how_read": said.how_read(),
        "query": request.GET.urlencode(),
        "numbers": numbers(seen) if seen.drawn else [],
    }
    return render(request, "trends/machine_signals.html", context, status=200 if form.is_valid() else 422)


def _watched(machine: Machine, chosen: dict[str, str]) -> queries.Watched:
    today = production_day(machine.line.plant, timezone.now())
    since = today - dt.timedelta(days=int(chosen["span"]) - 1)
    return queries.watched(machine, BY_KEY[chosen["measure"]], chosen["grain"], since)


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
    sums = queries.sums_of(machine, seen.drawn.measure)
    return JsonResponse({"control": control_figure(seen.drawn, sums, seen.since, seen.shifts)})


@require_GET
@needs(Permission.VIEW)
def one(request: Request, pk: int) -> HttpResponse:
    """Show one signal: what to do at its machine, what had changed near it, and what was found."""
    signal = queries.signal_for(request.user, pk)
    plant, now = signal.machine.line.plant, timezone.now()
    context = {
        **_answering(request, [signal], _form_of([signal])),
        "signal": signal,
        "line": _lines([signal])[0],
        "head": head(signal.machine, production_day(plant, now), now),
        "may_open": may(request.user, Permission.LOG_VISIT),
        "may_plan": may(request.user, Permission.PLAN),
    }
    return render(request, "trends/signal.html", context)


def _form_of(signals: list[Signal]) -> AnswerForm:
    """Return the form with what was said of a single signal already."""
    given = signals[0] if len(signals) == 1 else Signal()
    said = {"cause": given.cause, "note": given.found, "owner": given.owner_id}
    return AnswerForm(signals=signals, initial={**said, "visit": given.visit_id, "finding": given.finding_id})


def _answering(request: Request, signals: list[Signal], form: AnswerForm, theirs: Any = ()) -> dict[str, Any]:
    may_answer = may(request.user, Permission.FOLLOW_UP)
    return {"form": form, "signals": signals, "theirs": theirs, "may_follow_up": may_answer}


@require_http_methods(["GET", "POST"])
@needs(Permission.FOLLOW_UP)
def answer(request: Request) -> HttpResponse:
    """Answer the signals that were ticked: show them with the form, or take in what was found behind them."""
    posted = request.method == "POST"
    seen = seen_in(request.POST.getlist("seen")) if posted else {}
    picked = PickForm({"signal": list(seen)} if posted else request.GET, user=request.user)
    if not picked.is_valid():
        return _refused(request, str(picked.errors["signal"][0]))
    signals = picked.cleaned_data["signal"]
    if not posted:
        return render(request, "trends/signals_answer.html", _batch(request, signals, _form_of(signals)))
    form, theirs, status = AnswerForm(request.POST, signals=signals), [], 422
    if form.is_valid():
        try:
            done = services.answer(by=request.user, at=timezone.now(), seen=seen, said=form.words())
        except Conflict as conflict:
            theirs, status = conflict.theirs, conflict.status
        except Refused as refused:
            form.add_error(refused.field, str(refused))
        else:
            messages.success(request, f"Noted for {words.plural(len(done), 'signal')}.")
            return redirect("trends:signal", done[0].pk) if len(done) == 1 else redirect("trends:signals")
    return render(request, "trends/signals_answer.html", _batch(request, signals, form, theirs), status=status)


def _batch(request: Request, signals: list[Signal], form: AnswerForm, theirs: Any = ()) -> dict[str, Any]:
    return {**_answering(request, signals, form, theirs), "lines": _lines(signals)}


def _refused(request: Request, why: str) -> HttpResponse:
    return render(request, "trends/signals_answer.html", {"why": why}, status=422)
