"""Running captures: send a file, follow the work, read what it came to, join it to a visit."""

from __future__ import annotations

import csv
import datetime as dt
import io
from pathlib import Path
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.core.paginator import Paginator
from django.http import FileResponse, Http404, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST
from django.views.decorators.vary import vary_on_headers

from linelog.alignment.captures import page as words
from linelog.alignment.captures import queries
from linelog.alignment.captures.bumped import bumped_capture, bumped_setup
from linelog.alignment.captures.figures import all_figures, has_warmth
from linelog.alignment.captures.lead import lead_of
from linelog.alignment.captures.setting import has_crank, ring_of
from linelog.alignment.captures.warning_words import Reader, warning_words
from linelog.alignment.forms.capture import AsideForm, JoinForm, SendForm, VersionForm
from linelog.alignment.models import Capture, CaptureValue, Stage
from linelog.alignment.place import place_from, place_url
from linelog.alignment.queries import open_visit_of
from linelog.alignment.services import captures as services
from linelog.alignment.services import joining
from linelog.calc.readings import View
from linelog.calc.units import Unit
from linelog.plant.forms.fields import DATETIME_LOCAL
from linelog.plant.models import Machine
from linelog.plant.requests import Request
from linelog.web import health, units
from linelog.web.errors import Conflict, Refused
from linelog.web.permissions import Permission, may, needs
from linelog.web.uploads import takes_up_to

ROWS_A_PAGE = 25


def _machine(request: Request, machine_id: int) -> Machine:
    machines = Machine.objects.for_user(request.user).select_related("line__plant")
    found: Machine = get_object_or_404(machines, pk=machine_id)
    return found


def _capture(request: Request, capture_id: int) -> Capture:
    found: Capture = get_object_or_404(queries.captures_for(request.user), pk=capture_id)
    return found


def list_page(request: Request, machine: Machine, status: int = 200, form: SendForm | None = None) -> HttpResponse:
    """Render a machine's captures; `form` hands back what was refused, with its sentences."""
    now = timezone.now()
    setups = queries.setups_of(machine)
    bumped = [bumped_setup(setup, ring_of(setup, setup.probes.all())) for setup in setups]
    initial = {"recorded_at": timezone.localtime(now).strftime(DATETIME_LOCAL)}
    fahrenheit = units.is_fahrenheit(request.user)
    context = {
        "machine": machine,
        "form": form or SendForm(machine=machine, fahrenheit=fahrenheit, initial=initial),
        "setups": list(zip(setups, bumped, strict=True)),
        "has_setup": any(setup.is_active for setup in setups),
        "has_crank": has_crank(machine),
        "page": Paginator(queries.captures_of(machine, request.user), ROWS_A_PAGE).get_page(request.GET.get("page")),
        "limit_mb": settings.CAPTURE_LIMIT_BYTES // 1_000_000,
        "may_send": may(request.user, Permission.LOG_VISIT),
        "may_set_up": may(request.user, Permission.SET_UP),
    }
    return render(request, "alignment/captures.html", context, status=status)


@require_GET
@needs(Permission.VIEW)
def captures(request: Request, machine_id: int) -> HttpResponse:
    """List a machine's captures and its probe set-ups."""
    return list_page(request, _machine(request, machine_id))


@require_POST
@takes_up_to("CAPTURE_LIMIT_BYTES")
@needs(Permission.LOG_VISIT)
def send(request: Request, machine_id: int) -> HttpResponse:
    """Take a file and have it worked out."""
    machine, now = _machine(request, machine_id), timezone.now()
    form = SendForm(request.POST, request.FILES, machine=machine, fahrenheit=units.is_fahrenheit(request.user))
    if not form.is_valid():
        return list_page(request, machine, 422, form)
    data = form.cleaned_data
    try:
        capture = services.receive(
            by=request.user,
            at=now,
            machine=machine,
            recorded=services.Recorded(
                *(data[name] for name in ("setup", "recorded_at", "note", "minutes_since_start", "oil_c"))
            ),
            file=data["file"],
            limit_bytes=settings.CAPTURE_LIMIT_BYTES,
        )
    except Refused as refusal:
        form.add_error(refusal.field if refusal.field in form.fields else None, refusal.message)
        return list_page(request, machine, refusal.status, form)
    if capture.at != now:
        messages.info(
            request, f"This very file is kept already: {capture.by} sent it on {services.when(capture.at)}."
        )
    return redirect("alignment:capture", capture.pk)


def _page(request: Request, capture: Capture, status: int = 200, **more: Any) -> HttpResponse:
    now, unit = timezone.now(), units.of(request.user)
    job, result = capture.job, capture.result
    may_log = may(request.user, Permission.LOG_VISIT)
    context = {
        "capture": capture,
        "machine": capture.machine,
        "works": services.in_hand(capture, now),
        "no_worker": job is not None and job.state == job.State.WAITING and not health.worker(now).ok,
        "may_log": may_log,
        "may_set_up": may(request.user, Permission.SET_UP),
        "may_history": may(request.user, Permission.HISTORY),
        "may_change": may_log and capture.set_aside_at is None and (capture.visit is None or capture.visit.is_open),
        "aside_form": AsideForm(initial={"version": capture.version}),
    }
    if result is not None:
        context |= _worked_out(capture, result, unit, now)
        if may_log and capture.visit is None and capture.set_aside_at is None:
            context["open_visit"] = open_visit_of(capture.machine)
            context["join_form"] = JoinForm(initial={"version": capture.version, "stage": Stage.AS_LEFT})
    context |= more
    template = "alignment/capture.html"
    return render(request, f"{template}#state" if request.htmx else template, context, status=status)


def _worked_out(capture: Capture, result: dict[str, Any], unit: Unit, now: dt.datetime) -> dict[str, Any]:
    values = list(capture.values.select_related("station__machine__line__plant"))
    joins, reader = joining.chosen(values), Reader(unit, View(capture.setup.station.view))
    return {
        "result": result,
        "lead": lead_of(capture, values, unit, now),
        "cautions": [caution | {"sentence": warning_words(caution, reader)} for caution in result["cautions"]],
        "phases": words.phase_rows(result, unit),
        "more": words.more_words(result, unit),
        "facts": words.stroke_facts(result, unit),
        "values": words.value_rows(values, unit),
        "joins": joins,
        "station_url": _station_url(capture, joins),
        "carries": any(value.away_mm for value in values),
        "bumped": bumped_capture(capture),
        "has_warmth": has_warmth(result),
        "has_temperature": bool(result["forward"] and result["forward"]["series"]["temperature"]),
    }


def _station_url(capture: Capture, value: CaptureValue | None) -> str:
    """Return the station's page in the open visit that the capture is part of, where its move is logged; else ''."""
    if value is None or capture.visit is None or not capture.visit.is_open:
        return ""
    return place_url("alignment:station", capture.visit, place_from(value.station, {"stage": capture.stage}))


@require_GET
@vary_on_headers("HX-Request")
@needs(Permission.VIEW)
def capture(request: Request, capture_id: int) -> HttpResponse:
    """Show what a capture came to; asked by htmx, only how far the work is."""
    return _page(request, _capture(request, capture_id))


@require_GET
@needs(Permission.VIEW)
def figures(request: Request, capture_id: int) -> JsonResponse:
    """Return the charts of a capture by name, for plotly in the browser."""
    found = _capture(request, capture_id)
    if found.result is None:
        return JsonResponse({})
    return JsonResponse(all_figures(found.result, found.setup.station.limit_um, units.of(request.user)))


@require_GET
@needs(Permission.VIEW)
def numbers_csv(request: Request, capture_id: int) -> HttpResponse:
    """Send the mean paths as CSV."""
    found = _capture(request, capture_id)
    if found.result is None:
        raise Http404
    out = io.StringIO()
    csv.writer(out).writerows(words.numbers(found, units.of(request.user)))
    named = {"Content-Disposition": f'attachment; filename="capture-{found.pk}.csv"'}
    return HttpResponse(out.getvalue(), content_type="text/csv; charset=utf-8", headers=named)


@require_GET
@needs(Permission.VIEW)
def original(request: Request, capture_id: int) -> HttpResponseBase:
    """Send a file back as it came."""
    found = _capture(request, capture_id)
    path = Path(found.file.path)
    if not path.is_file():
        raise Http404
    kind = "application/octet-stream"
    return FileResponse(path.open("rb"), as_attachment=True, filename=found.name, content_type=kind)


@require_POST
@needs(Permission.LOG_VISIT)
def cancel(request: Request, capture_id: int) -> HttpResponse:
    """Stop the work on a capture."""
    found = _capture(request, capture_id)
    services.cancel(by=request.user, at=timezone.now(), capture=found)
    return redirect("alignment:capture", found.pk)


@require_POST
@needs(Permission.LOG_VISIT)
def again(request: Request, capture_id: int) -> HttpResponse:
    """Work a kept file out anew."""
    found = _capture(request, capture_id)
    try:
        services.work_again(by=request.user, at=timezone.now(), capture=found)
    except Refused as refusal:
        return _page(request, found, refusal.status, problem=refusal.message)
    return redirect("alignment:capture", found.pk)


@require_POST
@needs(Permission.LOG_VISIT)
def aside(request: Request, capture_id: int) -> HttpResponse:
    """Set a wrong capture aside, with a reason."""
    found, form, status = _capture(request, capture_id), AsideForm(request.POST), 422
    if form.is_valid():
        try:
            services.set_aside(by=request.user, at=timezone.now(), capture=found, **form.cleaned_data)
            return redirect("alignment:capture", found.pk)
        except Refused as refusal:
            form.add_error(refusal.field if refusal.field in form.fields else None, refusal.message)
            status = refusal.status
    return _page(request, found, status, aside_form=form)


@require_POST
@needs(Permission.LOG_VISIT)
def join(request: Request, capture_id: int) -> HttpResponse:
    """Make a capture part of its machine's open visit."""
    found, form, status = _capture(request, capture_id), JoinForm(request.POST), 422
    visit = open_visit_of(found.machine)
    if visit is None:
        return _page(request, found, 422, problem="No visit to this machine is open: open one first.")
    if form.is_valid():
        try:
            joining.join_visit(by=request.user, at=timezone.now(), capture=found, visit=visit, **form.cleaned_data)
            return redirect("alignment:visit", visit.pk)
        except Refused as refusal:
            form.add_error(refusal.field if refusal.field in form.fields else None, refusal.message)
            status = refusal.status
    return _page(request, found, status, join_form=form)


@require_POST
@needs(Permission.LOG_VISIT)
def leave(request: Request, capture_id: int) -> HttpResponse:
    """Take a capture out of its visit again."""
    found, form = _capture(request, capture_id), VersionForm(request.POST)
    try:
        if not form.is_valid():
            raise Conflict("This page is out of date: look again.")
        joining.leave_visit(by=request.user, at=timezone.now(), capture=found, version=form.cleaned_data["version"])
    except Refused as refusal:
        return _page(request, found, refusal.status, problem=refusal.message)
    return redirect("alignment:capture", found.pk)
