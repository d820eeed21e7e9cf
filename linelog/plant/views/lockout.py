"""The set-up of lockouts: of a plant, and of a machine where it differs."""

from __future__ import annotations

from functools import partial

from django.http import HttpResponse
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from linelog.plant.forms.lockout import LockoutProcedureForm
from linelog.plant.models import LockoutProcedure, Machine, Plant
from linelog.plant.requests import Request
from linelog.plant.services import lockout as services
from linelog.plant.views.machine import machine_or_404, machine_url
from linelog.plant.views.pages import Page, keep, overview_url, plant_or_404
from linelog.web.permissions import Permission, needs

EDIT = ["GET", "POST"]
LEAD = (
    "Shown before every lockout is verified, and printed on the sheets. Left empty, general words are shown instead. "
    "Whatever stands here, the site's own procedure rules."
)
MACHINE_LEAD = "What is left empty here comes from the plant. Its times hold for this machine. "


def _kept(request: Request, page: Page, plant: Plant, machine: Machine | None) -> HttpResponse:
    there = LockoutProcedure.objects.filter(plant=plant, machine=machine).first()
    of_plant = LockoutProcedure.objects.filter(plant=plant, machine=None).first() or LockoutProcedure()
    begins = {name: getattr(there or of_plant, name) for name in ("ends_with_shift", "overlap_minutes")}
    put = partial(services.put_procedure, by=request.user, at=timezone.now(), plant=plant, machine=machine)
    return keep(
        request,
        page,
        partial(LockoutProcedureForm, row=there, initial=begins),
        lambda form: put(version=form.cleaned_data["version"] or 0, facts=form.facts()),
    )


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def of_plant(request: Request, plant_id: int) -> HttpResponse:
    """Put down the plant's words and times."""
    plant = plant_or_404(request, plant_id)
    return _kept(request, Page(f"{plant}: lockout", overview_url(plant), lead=LEAD), plant, None)


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def of_machine(request: Request, machine_id: int) -> HttpResponse:
    """Put down a machine's own words and times."""
    machine = machine_or_404(request, machine_id)
    page = Page(f"{machine}: lockout", machine_url(machine), lead=MACHINE_LEAD + LEAD)
    return _kept(request, page, machine.line.plant, machine)
