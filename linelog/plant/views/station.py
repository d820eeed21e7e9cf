"""Pages of a station and its adjusters."""

from __future__ import annotations

from functools import partial
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from linelog.plant.adjusting import try_moves
from linelog.plant.forms.adjuster import AdjusterForm
from linelog.plant.forms.machine import StationForm
from linelog.plant.models import Adjuster, Station
from linelog.plant.requests import Request
from linelog.plant.services import stations as services
from linelog.plant.views.machine import machine_or_404, machine_url
from linelog.plant.views.pages import Page, VersionForm, keep, rows_of
from linelog.web import units
from linelog.web.errors import Refused
from linelog.web.permissions import Permission, needs
from linelog.web.requests import whole

EDIT = ["GET", "POST"]
WAYS = {"up": -1, "down": 1}


def station_url(station: Station) -> str:
    """Where a station's set-up is."""
    return reverse("plant:station", args=[station.pk])


def station_or_404(request: Request, station_id: int) -> Any:
    """Return a station that is this person's to set up."""
    return get_object_or_404(rows_of(request, Station, "machine__line__plant"), pk=station_id)


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def add_station(request: Request, machine_id: int) -> HttpResponse:
    """Add a station to a machine."""
    machine = machine_or_404(request, machine_id)
    add = partial(services.add_station, by=request.user, at=timezone.now(), machine=machine)
    return keep(
        request,
        Page(f"{machine}: add a station", machine_url(machine), button="Add"),
        partial(StationForm, unit=units.of(request.user)),
        lambda form: add(facts=form.facts()),
        then=station_url,
    )


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def station(request: Request, station_id: int) -> HttpResponse:
    """Change a station; see its adjusters and what a small move would ask of them."""
    row, unit = station_or_404(request, station_id), units.of(request.user)
    adjusters = list(row.adjusters.select_related("stock").prefetch_related("stock__thicknesses"))
    who = {"by": request.user, "at": timezone.now(), "station": row}

    def more() -> dict[str, Any]:
        trials = try_moves(row, adjusters, unit)
        return {"station": row, "adjusters": adjusters, "kinds": Adjuster.Kind.choices, "trials": trials}

    return keep(
        request,
        Page(f"{row.machine}: {row}", machine_url(row.machine), "Back", template="plant/station.html", more=more),
        partial(StationForm, row=row, unit=unit),
        lambda form: services.change_station(**who, version=form.cleaned_data["version"], facts=form.facts()),
        then=station_url,
        remove=lambda version: services.remove_station(**who, version=version),
    )


@needs(Permission.SET_UP)
@require_POST
def station_move(request: Request, station_id: int) -> HttpResponse:
    """Move a station one place up or down in the list."""
    row = station_or_404(request, station_id)
    place, way = whole(request.POST.get("place", "")), request.POST.get("way", "")
    if way not in WAYS or place is None:
        raise Refused("Use the buttons beside the station.")
    services.move_station(by=request.user, at=timezone.now(), station=row, place=place, steps=WAYS[way])
    return redirect(machine_url(row.machine))


@needs(Permission.SET_UP)
@require_POST
def station_active(request: Request, station_id: int) -> HttpResponse:
    """Take a station out of use, or back into it."""
    row = station_or_404(request, station_id)
    form = VersionForm(request.POST)
    if not form.is_valid():
        raise Refused("Reload the page and press the button again.")
    active = request.POST.get("active") == "1"
    version = form.cleaned_data["version"]
    services.set_active(by=request.user, at=timezone.now(), station=row, version=version, active=active)
    messages.success(request, f"{row} is {'in use again' if active else 'out of use; what was measured stays'}.")
    return redirect(station_url(row))


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def add_adjuster(request: Request, station_id: int, kind: str) -> HttpResponse:
    """Add a shim pack, a screw or a slide to a station."""
    row = station_or_404(request, station_id)
    plant = row.machine.line.plant
    if kind not in Adjuster.Kind:
        raise Http404
    add = partial(services.add_adjuster, by=request.user, at=timezone.now(), station=row)
    lead = ""
    if kind == Adjuster.Kind.SHIM and not plant.shim_stocks.exists():
        lead = "Add a shim stock to the plant first: a pack is made from a stock."
    return keep(
        request,
        Page(f"{row.machine}, {row}: add a {Adjuster.Kind(kind).label.lower()}", station_url(row), lead=lead),
        partial(AdjusterForm, kind=kind, plant=plant, unit=units.of(request.user), initial={"z_mm": row.z_mm}),
        lambda form: add(facts={**form.facts(), "kind": kind}),
    )


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def adjuster(request: Request, adjuster_id: int) -> HttpResponse:
    """Change or remove an adjuster."""
    row = get_object_or_404(rows_of(request, Adjuster, "station__machine__line__plant", "stock"), pk=adjuster_id)
    plant = row.station.machine.line.plant
    who = {"by": request.user, "at": timezone.now(), "adjuster": row}
    title = f"{row.station.machine}, {row.station}: {row} ({row.get_kind_display().lower()})"
    return keep(
        request,
        Page(title, station_url(row.station), "Back", removable=True),
        partial(AdjusterForm, row=row, kind=row.kind, plant=plant, unit=units.of(request.user)),
        lambda form: services.change_adjuster(**who, version=form.cleaned_data["version"], facts=form.facts()),
        remove=lambda version: services.remove_adjuster(**who, version=version),
    )
