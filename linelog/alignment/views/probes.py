"""Pages of the set-up of captures: rings of probes, and the limits of the warnings."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from linelog.alignment.captures import queries
from linelog.alignment.forms.capture import CaptureLimitForm, ProbeForm, ProbeFormSet, ProbeSetupForm, rows_in
from linelog.alignment.models import Capture, CaptureLimit, ProbeSetup
from linelog.alignment.services import probes as services
from linelog.plant.adjusting import reference_z_mm
from linelog.plant.models import Machine, Station
from linelog.plant.requests import Request
from linelog.plant.views.pages import Page, VersionForm, keep, plant_or_404, rows_of
from linelog.web import units
from linelog.web.forms import add_row
from linelog.web.permissions import Permission, needs
from linelog.web.requests import row_named

EDIT = ["GET", "POST"]
FOUR = [{"column": f"p{hour}", "angle_deg": angle} for hour, angle in ((12, 0), (3, 90), (6, 180), (9, 270))]
TAKEN_OVER = (
    *("target", "target_factor", "gap_mm", "common_gap", "view", "file_unit", "time_column", "time_unit", "z_mm"),
    *("phase_column", "phase_at_rear_deg", "pulse_column", "pulse_at_deg", "temperature_column", "name"),
)


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def add(request: Request, machine_id: int) -> HttpResponse:
    """Add a set-up, from nothing or like one of another machine."""
    machine = get_object_or_404(rows_of(request, Machine, "line__plant"), pk=machine_id)
    store = partial(services.add_setup, by=request.user, at=timezone.now(), machine=machine)
    others = queries.setups_to_copy(request.user, machine)
    like = row_named(others, request.GET.get("from", ""))
    start = [ProbeForm.initial_of(probe) for probe in like.probes.all()] if like else FOUR
    pack = machine.stations.filter(kind=Station.Kind.TOOL_PACK, is_active=True).first()
    initial: dict[str, Any] = {"station": pack, "z_mm": reference_z_mm(pack)} if pack else {}
    initial |= {name: getattr(like, name) for name in TAKEN_OVER} if like else {}
    return _keep(request, machine, None, start, initial, lambda form, rows: store(facts=form.facts(), probes=rows))


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def edit(request: Request, setup_id: int) -> HttpResponse:
    """Change a set-up, or remove one that was never used."""
    setup = get_object_or_404(rows_of(request, ProbeSetup, "machine__line__plant"), pk=setup_id)
    now = timezone.now()
    if request.method == "POST" and "remove" in request.POST:
        going = VersionForm(request.POST)
        remove = partial(services.remove_setup, by=request.user, at=now, setup=setup)
        if going.attempt(lambda: remove(version=going.cleaned_data["version"])):
            messages.success(request, "Removed; the history keeps what it was.")
            return redirect("alignment:captures", setup.machine_id)
        return _keep(request, setup.machine, setup, [], {}, None, going=going)
    change = partial(services.change_setup, by=request.user, at=now, setup=setup)
    return _keep(
        request,
        setup.machine,
        setup,
        [ProbeForm.initial_of(probe) for probe in setup.probes.all()],
        {},
        lambda form, rows: change(version=form.cleaned_data["version"], facts=form.facts(), probes=rows),
    )


Store = Callable[[ProbeSetupForm, list[dict[str, Any]]], ProbeSetup]


def _keep(
    request: Request,
    machine: Machine,
    setup: ProbeSetup | None,
    start: list[dict[str, Any]],
    initial: dict[str, Any],
    store: Store | None,
    going: VersionForm | None = None,
) -> HttpResponse:
    """Show the two parts of a set-up; store both where both are sound."""
    posted = request.method == "POST" and store is not None
    adding = posted and "add_row" in request.POST
    data = request.POST.copy() if posted else None
    if adding and data is not None:
        add_row(data, "probes")
    form = ProbeSetupForm(data, row=setup, machine=machine, initial=initial)
    probes = ProbeFormSet(data, initial=start, prefix="probes")
    kept: list[ProbeSetup] = []
    if store and posted and not adding:
        sound = probes.is_valid()
        if form.is_valid() and sound and form.attempt(lambda: kept.append(store(form, rows_in(probes)))):
            messages.success(request, "Stored. Now bump-test the ring: push the ram and see which reading moves.")
            return redirect("alignment:captures", machine.pk)
    context = {
        "form": form,
        "probes": probes,
        "setup": setup,
        "machine": machine,
        "adding": adding,
        "going": going,
        "others": [] if setup else queries.setups_to_copy(request.user, machine),
        "used": setup is not None and Capture.objects.filter(setup=setup).exists(),
    }
    status = going.status if going else 200 if adding or not posted else form.status if form.errors else 422
    template = "alignment/capture_setup.html#probes" if adding and request.htmx else "alignment/capture_setup.html"
    return render(request, template, context, status=status)


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def limits(request: Request, plant_id: int) -> HttpResponse:
    """Change from when on a capture is warned about."""
    plant = plant_or_404(request, plant_id)
    row = CaptureLimit.objects.filter(plant=plant).first() or CaptureLimit()
    change = partial(services.change_limits, by=request.user, at=timezone.now(), plant=plant)
    page = Page(
        title=f"Warnings of captures, {plant}",
        back=reverse("plant:plant", args=[plant.pk]),
        lead="The figures to begin with are common practice; they are the plant's own to change.",
    )
    return keep(
        request,
        page,
        lambda data: CaptureLimitForm(data, row=row, unit=units.of(request.user)),
        lambda form: change(version=form.cleaned_data["version"] or 1, facts=form.facts()),
    )
