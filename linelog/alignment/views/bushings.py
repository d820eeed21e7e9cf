"""What is sent from the page of a bushing in a visit; each answers with the fragment that changed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django import forms
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from linelog.alignment.forms.bushing import ClearanceForm, FittedForm, PositionForm
from linelog.alignment.models import Visit
from linelog.alignment.place import place_from, place_url
from linelog.alignment.services import bushings
from linelog.alignment.views.station import TEMPLATE, context_of, the_page, visit_and_station
from linelog.plant.models import Station
from linelog.plant.requests import Request
from linelog.web import units
from linelog.web.errors import Conflict, Refused
from linelog.web.permissions import Permission, needs
from linelog.web.requests import typed_at

FRAGMENTS = "alignment/_bushing.html"


def _key(request: Request) -> str:
    return (request.headers.get("X-Write-Key") or request.POST.get("key") or "")[:64]


def _bushing(request: Request, visit_id: int, station_id: int) -> tuple[Visit, Station]:
    visit, station = visit_and_station(request, visit_id, station_id)
    if not station.is_bushing:
        raise Http404
    return visit, station


def _answer(
    request: Request,
    visit: Visit,
    station: Station,
    part: str,
    status: int = 200,
    *,
    version: int | None = None,
    **more: Any,
) -> HttpResponse:
    """Answer htmx with the card and the headline; a plain POST with the page (refused) or the way back to it."""
    at = timezone.now()
    if not request.htmx and status == 200:
        return redirect(place_url("alignment:station", visit, place_from(station, request.GET)))
    context = context_of(request, the_page(request, visit, station), oob=bool(request.htmx), **more)
    template = f"{FRAGMENTS}#{part}" if request.htmx else TEMPLATE
    response = render(request, template, context, status=status)
    response["X-At"] = f"{at.timestamp():.6f}"
    if version is not None:
        response["X-Version"] = str(version)
    return response


def _save(
    request: Request, visit: Visit, station: Station, name: str, form: Any, save: Callable[..., int]
) -> HttpResponse:
    """Save a measurement with its version; a conflict shows both and the next press puts this one in its place."""
    part, status, version = name.removesuffix("_form"), 422, None
    more: dict[str, Any] = {name: form}
    if form.is_valid():
        now = timezone.now()
        who = {"by": request.user, "visit": visit, "station": station, "at": now, "key": _key(request)}
        try:
            version = save(**who, typed=form.typed(), version=form.version_seen(), typed_at=typed_at(request, now))
            return _answer(request, visit, station, part, version=version)
        except Conflict as conflict:
            status, version = 409, conflict.theirs.version if conflict.theirs else 0
            form.data = {**request.POST.dict(), "version": version}
            form.add_error(None, f"{conflict.message} Theirs stands above; save again to put yours in its place.")
            more[f"{name}_theirs"] = conflict.theirs
        except Refused as refusal:
            if refusal.field == "lockout":  # what was typed waits for one
                more["waits"] = {part: refusal.message}
            else:
                _refuse(form, refusal)
    return _answer(request, visit, station, part, status, version=version, **more)


def _refuse(form: forms.Form, refusal: Refused) -> None:
    if isinstance(refusal, bushings.Doubted) and isinstance(form, ClearanceForm):
        form.asks = True
    form.add_error(refusal.field if refusal.field in form.fields else None, refusal.message)


@require_POST
@needs(Permission.LOG_VISIT)
def clearance(request: Request, visit_id: int, station_id: int) -> HttpResponse:
    """Save the clearance of a bushing."""
    visit, station = _bushing(request, visit_id, station_id)
    limit_um = bushings.wear_limit_um(station, visit.machine.line.plant)
    form = ClearanceForm(request.POST, unit=units.of(request.user), limit_um=limit_um)
    return _save(request, visit, station, "clearance_form", form, bushings.save_clearance)


@require_POST
@needs(Permission.LOG_VISIT)
def position(request: Request, visit_id: int, station_id: int) -> HttpResponse:
    """Save the position of a bushing."""
    visit, station = _bushing(request, visit_id, station_id)
    form = PositionForm(request.POST, unit=units.of(request.user))
    return _save(request, visit, station, "position_form", form, bushings.save_position)


@require_POST
@needs(Permission.LOG_VISIT)
def fitted(request: Request, visit_id: int, station_id: int) -> HttpResponse:
    """Log a new bushing, or take it back."""
    visit, station = _bushing(request, visit_id, station_id)
    who: dict[str, Any] = {"by": request.user, "visit": visit, "station": station, "at": timezone.now()}
    form = FittedForm(request.POST)
    try:
        if request.POST.get("back"):
            bushings.take_fitting_back(**who, key=_key(request))
            return _answer(request, visit, station, "fitted")
        if form.is_valid():
            bushings.fit_bushing(**who, **form.cleaned_data, key=_key(request))
            return _answer(request, visit, station, "fitted")
    except Refused as refusal:
        if not form.is_bound or not hasattr(form, "cleaned_data"):
            form.full_clean()
        _refuse(form, refusal)
    return _answer(request, visit, station, "fitted", 422, fitted_form=form)
