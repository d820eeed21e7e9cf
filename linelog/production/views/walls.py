"""Wall samples: the list, one with its history, entering, correcting, taking out, and a small file of them."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from linelog.plant.models import Machine
from linelog.plant.requests import Request
from linelog.production import listing, wall_file
from linelog.production.drawing import can_drawing
from linelog.production.forms import FilterForm
from linelog.production.models import WallSample
from linelog.production.reading.refusal import FileRefused
from linelog.production.services import walls as services
from linelog.production.tables import guarded
from linelog.production.views.counts import sent, tell
from linelog.production.wall_forms import ANGLES, USUAL_POINTS, WallFileForm, WallForm, initial_of, usual_start
from linelog.production.wall_preview import Preview, look
from linelog.production.wall_words import said_of
from linelog.web import history, units
from linelog.web.errors import Conflict, Refused
from linelog.web.models import AuditEvent
from linelog.web.permissions import Permission, may, needs
from linelog.web.requests import query_without_page, row_named, whole

EDIT = ["GET", "POST"]
ENTER = Permission.ENTER_WALL


def _find(request: Request, sample_id: int) -> WallSample:
    rows = WallSample.objects.for_user(request.user).select_related("machine__line__plant", "tooling_set", "by")
    return get_object_or_404(rows, pk=sample_id)


@needs(Permission.VIEW)
@require_GET
def recent(request: Request) -> HttpResponse:
    """List the wall samples, newest first."""
    form = FilterForm(request.GET, user=request.user)
    good = form.is_valid()
    rows = listing.walls(request.user, form.cleaned_data if good else {})
    page = listing.page_of(rows, request.GET.get("page", "1"))
    context = {
        "form": form,
        "page": page,
        "rows": page.rows,
        "query": query_without_page(request),
        "may_enter": may(request.user, ENTER),
        "may_change": may(request.user, Permission.ENTER_COUNTS),
    }
    template = "production/walls.html#list" if request.htmx else "production/walls.html"
    return render(request, template, context, status=200 if good else 422)


@needs(ENTER)
@require_http_methods(EDIT)
def enter(request: Request) -> HttpResponse:
    """Enter a sample."""
    now = timezone.now()
    if "show" in request.POST:
        return _other_points(request, now)
    start = _start(request) if request.method == "GET" else {}
    points = request.POST.get("points", "") if request.method == "POST" else str(start.get("points", USUAL_POINTS))
    form = WallForm(sent(request), user=request.user, now=now, points=points, initial={"points": points, **start})
    if request.method == "POST" and form.is_valid():
        try:
            sample = services.enter(by=request.user, at=now, can=form.made(), key=form.cleaned_data["key"])
        except Refused as refusal:
            tell(form, refusal)
        else:
            messages.success(request, "Stored.")
            return redirect("production:wall_sample", sample_id=sample.pk)
    status = 422 if request.method == "POST" else 200
    return render(request, "production/wall_enter.html", {"form": form}, status=status)


def _start(request: Request) -> dict[str, Any]:
    """Return how the form begins: the machine asked for, and everything else as the last sample was read."""
    machines = Machine.objects.for_user(request.user)
    machine = row_named(machines.select_related("line__plant"), request.GET.get("machine", ""))
    plant = machine.line.plant if machine else request.user.plant
    start: dict[str, Any] = {"step_um": plant.wall_step_um} if plant else {}
    start |= usual_start(machines, machine)
    points = request.GET.get("points", "")
    return {
        **start,
        "machine": machine.pk if machine else None,
        "points": points if points in ANGLES else USUAL_POINTS,
    }


def _other_points(request: Request, now: dt.datetime, own: tuple[float, ...] = (), **more: Any) -> HttpResponse:
    """Show the form with other positions; what is typed stays, nothing is stored."""
    points, typed = request.POST.get("points", ""), dict(request.POST.items())
    form = WallForm(None, user=request.user, now=now, points=points, own=own, initial=typed)
    template = "production/wall_enter.html#walls" if request.htmx else "production/wall_enter.html"
    return render(request, template, {"form": form, **more})


@needs(Permission.VIEW)
@require_GET
def one(request: Request, sample_id: int) -> HttpResponse:
    """Show a sample, what it says, and what it said before."""
    sample = _find(request, sample_id)
    rings = list(sample.rings.prefetch_related("readings"))
    events = AuditEvent.objects.filter(object_type="wallsample", object_id=str(sample.pk)).exclude(before=None)
    unit = units.of(request.user)
    context = {
        "sample": sample,
        "rings": [{"ring": ring, "drawing": can_drawing(ring)} for ring in rings],
        "said": said_of(sample, rings, unit),
        "may_enter": may(request.user, ENTER),
        "changes": [{"event": event, "fields": history.changes(event, unit)} for event in events[:50]],
    }
    return render(request, "production/wall_sample.html", context)


@needs(ENTER)
@require_http_methods(EDIT)
def correct(request: Request, sample_id: int) -> HttpResponse:
    """Correct a sample."""
    sample, now, theirs, status = _find(request, sample_id), timezone.now(), None, 200
    start, own, usual = initial_of(sample, services.as_typed(sample))
    if "show" in request.POST:
        return _other_points(request, now, own, sample=sample)
    points = request.POST.get("points", usual)
    form = WallForm(sent(request), user=request.user, now=now, points=points, own=own, initial=start)
    if request.method == "POST":
        status = 422
        if form.is_valid():
            version = form.cleaned_data["version"] or 0
            try:
                services.correct(by=request.user, at=now, sample=sample, can=form.made(), version=version)
            except Conflict as conflict:
                theirs, status = conflict.theirs, conflict.status
                if theirs is None:  # taken out meanwhile
                    raise
                form.data = {**request.POST.dict(), "version": theirs.version}
            except Refused as refusal:
                tell(form, refusal)
            else:
                messages.success(request, "Corrected.")
                return redirect("production:wall_sample", sample_id=sample.pk)
    context = {"form": form, "sample": sample, "theirs": theirs}
    return render(request, "production/wall_enter.html", context, status=status)


@needs(ENTER)
@require_POST
def take_out(request: Request, sample_id: int) -> HttpResponse:
    """Take out a sample that was entered in error."""
    sample = _find(request, sample_id)
    version = whole(request.POST.get("version", ""))
    if version is None:
        raise Refused("Reload the page and send it again.")
    services.take_out(by=request.user, at=timezone.now(), sample=sample, version=version)
    messages.success(request, "Taken out; the history keeps it.")
    return redirect("production:walls")


@needs(ENTER)
@require_http_methods(EDIT)
def from_file(request: Request) -> HttpResponse:
    """Look at a small file of samples, and store the good ones when the person says so."""
    now = timezone.now()
    form = WallFileForm(sent(request), request.FILES or None, user=request.user)
    found: Preview | None = None
    if request.method == "POST" and form.is_valid():
        try:
            given = form.cleaned_data
            text = wall_file.decode(given["file"].read()) if given.get("file") else given["content"]
            found = look(text, form.plant(), now)
            if "store" in request.POST:
                key = given["key"]
                stored = services.enter_many(by=request.user, at=now, cans=found.storable(), key=key)
                messages.success(request, f"{stored} {'sample' if stored == 1 else 'samples'} stored.")
                return redirect("production:walls")
            form.data = {**request.POST.dict(), "content": text}
        except FileRefused as refusal:
            form.add_error("file", str(refusal))
        except Refused as refusal:
            tell(form, refusal)
    context = {"form": form, "found": found, "columns": wall_file.TEMPLATE}
    return render(request, "production/wall_file.html", context, status=422 if form.errors else 200)


@needs(ENTER)
@require_GET
def template(request: Request) -> HttpResponse:
    """Send the empty template: the heading alone, so that no example is stored by accident."""
    line = ",".join(guarded(name) for name in wall_file.TEMPLATE) + "\r\n"
    headers = {"Content-Disposition": 'attachment; filename="wall-samples.csv"'}
    return HttpResponse(line.encode("utf-8-sig"), content_type="text/csv; charset=utf-8", headers=headers)
