"""The plant at a glance, and the pages of its settings, shifts, lines and shim stocks."""

from __future__ import annotations

from functools import partial
from typing import Any

from django import forms
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from linelog.calc.errors import CalcError
from linelog.plant import queries
from linelog.plant.captions import conditions_words
from linelog.plant.forms.base import LIMIT_IS, OFFSET, other_words
from linelog.plant.forms.site import LineForm, NewPlantForm, PlantForm, ShiftForm, StockForm
from linelog.plant.limits import rule_facts
from linelog.plant.models import Line, Plant, Shift, ShimStock
from linelog.plant.requests import Request
from linelog.plant.services import site as services
from linelog.plant.views.pages import Page, keep, overview_url, plant_or_404, rows_of
from linelog.web import units
from linelog.web.permissions import Permission, may, needs
from linelog.web.units import LengthField

EDIT = ["GET", "POST"]
REMOVABLE: dict[str, Any] = {"removable": True, "back_words": "Back"}


@needs(Permission.SET_UP)
@require_GET
def setup(request: Request) -> HttpResponse:
    """Show one's plant; an administrator without one chooses first."""
    if request.user.plant:
        return _overview(request, request.user.plant)
    context = {"plants": Plant.objects.for_user(request.user), "may_add": may(request.user, Permission.ADMINISTER)}
    return render(request, "plant/choose.html", context)


@needs(Permission.SET_UP)
@require_GET
def plant(request: Request, plant_id: int) -> HttpResponse:
    """Show one plant."""
    return _overview(request, plant_or_404(request, plant_id))


def _overview(request: Request, plant: Plant) -> HttpResponse:
    context = {
        "site": plant,
        "lines": queries.lines(plant, timezone.localdate()),
        "sets": queries.sets(plant),
        "stocks": queries.stocks(plant),
        "shifts": plant.shifts.all(),
        "limit_rules": [
            (rule, conditions_words(rule_facts(rule), units.of(request.user)))
            for rule in plant.limit_rules.select_related("machine", "tooling_set")
        ],
    }
    return render(request, "plant/setup.html", context)


@needs(Permission.SET_UP)
@require_GET
def other(request: Request) -> HttpResponse:
    """Say a limit the other way, while it is typed: an offset as TIR, a TIR as offset."""
    name = request.GET.get("name", "")[:40]
    given_as = request.GET.get(f"{name}_is", OFFSET)
    field, unit = LengthField(unit=units.of(request.user)), units.of(request.user)
    try:
        value = field.clean(request.GET.get(name, "")[:24])
    except (forms.ValidationError, CalcError):
        value = None
    words = other_words(value, given_as if given_as in dict(LIMIT_IS) else OFFSET, unit)
    return render(request, "plant/_limit.html#other", {"words": words})


@needs(Permission.ADMINISTER)
@require_http_methods(EDIT)
def add_plant(request: Request) -> HttpResponse:
    """Add a plant."""
    if request.user.plant_id is not None:
        raise Http404  # an administrator of one plant sees that one alone
    lead = "Its other settings begin with what is common practice, and with three shifts; change them to its own."
    page = Page("Add a plant", reverse("plant:setup"), lead=lead, button="Add")
    return keep(
        request,
        page,
        NewPlantForm,
        lambda form: services.add_plant(by=request.user, at=timezone.now(), **form.facts()),
        then=overview_url,
    )


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def settings(request: Request, plant_id: int) -> HttpResponse:
    """Change a plant's settings."""
    plant = plant_or_404(request, plant_id)
    make = partial(PlantForm, row=plant, unit=units.of(request.user), by=request.user)
    lead = "Limits, costs and levels are the plant's own; the first values are common practice without a source."
    change = partial(services.change_plant, by=request.user, at=timezone.now(), plant=plant)
    return keep(
        request,
        Page(f"Settings of {plant}", overview_url(plant), lead=lead),
        make,
        lambda form: change(version=form.cleaned_data["version"], facts=form.facts()),
    )


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def add_shift(request: Request, plant_id: int) -> HttpResponse:
    """Add a shift."""
    plant = plant_or_404(request, plant_id)
    add = partial(services.add_shift, by=request.user, at=timezone.now(), plant=plant)
    page = Page("Add a shift", overview_url(plant), button="Add")
    return keep(request, page, ShiftForm, lambda form: add(**form.facts()))


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def shift(request: Request, shift_id: int) -> HttpResponse:
    """Change or remove a shift."""
    row = get_object_or_404(rows_of(request, Shift, "plant"), pk=shift_id)
    who = {"by": request.user, "at": timezone.now(), "shift": row}
    return keep(
        request,
        Page(f"Shift {row}", overview_url(row.plant), **REMOVABLE),
        partial(ShiftForm, row=row),
        lambda form: services.change_shift(**who, version=form.cleaned_data["version"], facts=form.facts()),
        remove=lambda version: services.remove_shift(**who, version=version),
    )


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def add_line(request: Request, plant_id: int) -> HttpResponse:
    """Add a line."""
    plant = plant_or_404(request, plant_id)
    add = partial(services.add_line, by=request.user, at=timezone.now(), plant=plant)
    page = Page("Add a line", overview_url(plant), button="Add")
    return keep(request, page, LineForm, lambda form: add(**form.facts()))


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def line(request: Request, line_id: int) -> HttpResponse:
    """Rename or remove a line."""
    row = get_object_or_404(rows_of(request, Line, "plant"), pk=line_id)
    who = {"by": request.user, "at": timezone.now(), "line": row}
    return keep(
        request,
        Page(f"Line {row}", overview_url(row.plant), **REMOVABLE),
        partial(LineForm, row=row),
        lambda form: services.rename_line(**who, version=form.cleaned_data["version"], **form.facts()),
        remove=lambda version: services.remove_line(**who, version=version),
    )


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def add_stock(request: Request, plant_id: int) -> HttpResponse:
    """Add a shim stock."""
    plant = plant_or_404(request, plant_id)
    add = partial(services.add_stock, by=request.user, at=timezone.now(), plant=plant)
    return keep(
        request,
        Page("Add a shim stock", overview_url(plant), button="Add"),
        partial(StockForm, unit=units.of(request.user)),
        lambda form: add(**form.facts(), thicknesses_um=form.cleaned_data["thicknesses"], at_hand=form.at_hand),
    )


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def stock(request: Request, stock_id: int) -> HttpResponse:
    """Change or remove a shim stock."""
    row = get_object_or_404(rows_of(request, ShimStock, "plant"), pk=stock_id)
    who = {"by": request.user, "at": timezone.now(), "stock": row}
    return keep(
        request,
        Page(f"Shim stock {row}", overview_url(row.plant), **REMOVABLE),
        partial(StockForm, row=row, unit=units.of(request.user)),
        lambda form: services.change_stock(
            **who,
            **form.facts(),
            version=form.cleaned_data["version"],
            thicknesses_um=form.cleaned_data["thicknesses"],
            at_hand=form.at_hand,
        ),
        remove=lambda version: services.remove_stock(**who, version=version),
    )
