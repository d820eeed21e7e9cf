"""Pages of a machine: added from its kind or like another, its geometry, its marks."""

from __future__ import annotations

from functools import partial
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from linelog.plant import queries
from linelog.plant.drawing import along_ram
from linelog.plant.forms.machine import MachineForm, MarkForm, NewMachineForm, NewMarkForm
from linelog.plant.models import Machine, MarkAssignment
from linelog.plant.ram import ram_record
from linelog.plant.requests import Request
from linelog.plant.services import machines as services
from linelog.plant.views.pages import Page, keep, overview_url, plant_or_404, rows_of
from linelog.web import units
from linelog.web.permissions import Permission, needs

EDIT = ["GET", "POST"]


def machine_url(machine: Machine) -> str:
    """Where a machine's set-up is."""
    return reverse("plant:machine", args=[machine.pk])


def machine_or_404(request: Request, machine_id: int) -> Any:
    """Return a machine that is this person's to set up."""
    return get_object_or_404(rows_of(request, Machine, "line__plant"), pk=machine_id)


@needs(Permission.SET_UP)
@require_GET
def machine(request: Request, machine_id: int) -> HttpResponse:
    """Show a machine's set-up: geometry, marks, and stations along the ram."""
    row = machine_or_404(request, machine_id)
    stations = list(row.stations.order_by("order", "pk").prefetch_related("adjusters"))
    in_use = [station for station in stations if station.is_active]
    sections = list(row.ram_sections.all())
    context = {
        "machine": row,
        "sections": sections,
        "ram": ram_record(row, sections),
        "stations": stations,
        "along": along_ram(row, in_use),
        "out_of_order": [s.z_mm for s in in_use] != sorted(s.z_mm for s in in_use),
        "marks": queries.marks(row, request.user),
        "fitting": row.fittings.filter(removed_at__isnull=True).select_related("tooling_set").first(),
    }
    return render(request, "plant/machine.html", context)


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def add_machine(request: Request, plant_id: int) -> HttpResponse:
    """Add a machine: one form; stations and adjusters come with its kind."""
    plant = plant_or_404(request, plant_id)
    lead = "Its stations, limits and adjusters begin as is usual for its kind; everything can then be changed."
    if not plant.lines.exists():
        lead = "Add a line first: a machine stands on a line."
    start = {"line": request.GET.get("line", "")[:12]}
    return keep(
        request,
        Page("Add a machine", overview_url(plant), lead=lead, button="Add"),
        partial(NewMachineForm, plant=plant, initial=start),
        lambda form: services.add_machine(by=request.user, at=timezone.now(), new=form.new()),
        then=machine_url,
    )


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def machine_copy(request: Request, machine_id: int) -> HttpResponse:
    """Add a machine like this one."""
    like = machine_or_404(request, machine_id)
    lead = f"Geometry, stations in use and adjusters are copied from {like}; marks, tooling and visits are not."
    copy = partial(services.copy_machine, by=request.user, at=timezone.now(), like=like)
    return keep(
        request,
        Page(f"Add a machine like {like}", machine_url(like), lead=lead, button="Add"),
        partial(NewMachineForm, plant=like.line.plant, copied=True, initial={"line": like.line_id}),
        lambda form: copy(new=form.new(like.kind)),
        then=machine_url,
    )


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def machine_edit(request: Request, machine_id: int) -> HttpResponse:
    """Change a machine's name, life and motion."""
    row = machine_or_404(request, machine_id)
    change = partial(services.change_machine, by=request.user, at=timezone.now(), machine=row)
    return keep(
        request,
        Page(f"{row}: name and motion", machine_url(row)),
        partial(MachineForm, row=row, unit=units.of(request.user)),
        lambda form: change(version=form.cleaned_data["version"], facts=form.facts()),
    )


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def add_mark(request: Request, machine_id: int) -> HttpResponse:
    """Write down that a machine carries a mark."""
    row = machine_or_404(request, machine_id)
    lead = "The mark follows the domer tooling: give the first day that cans of this machine carried it."
    add = partial(services.add_mark, by=request.user, at=timezone.now(), machine=row)

    def store(form: NewMarkForm) -> MarkAssignment:
        return _warned(request, add(**form.facts(), ends_others=form.cleaned_data["ends_others"]))

    page = Page(f"{row}: add a mark", machine_url(row), lead=lead, button="Add")
    return keep(request, page, partial(NewMarkForm, initial={"starts_on": timezone.localdate()}), store)


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def mark(request: Request, mark_id: int) -> HttpResponse:
    """Correct or end a mark, or take out one that was a mistake."""
    row = get_object_or_404(rows_of(request, MarkAssignment, "machine__line"), pk=mark_id)
    who = {"by": request.user, "at": timezone.now(), "mark": row}

    def store(form: MarkForm) -> MarkAssignment:
        changed = services.change_mark(**who, version=form.cleaned_data["version"], facts=form.facts())
        return _warned(request, changed)

    return keep(
        request,
        Page(f"Mark {row}", machine_url(row.machine), removable=True, back_words="Back"),
        partial(MarkForm, row=row),
        store,
        remove=lambda version: services.remove_mark(**who, version=version),
    )


def _warned(request: Request, mark: MarkAssignment) -> MarkAssignment:
    for doubt in queries.doubts(mark, request.user):
        messages.warning(request, doubt)
    return mark
