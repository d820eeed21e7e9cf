"""The pages of the lists that findings are sorted by, and of the symptom table."""

from __future__ import annotations

from functools import partial
from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from linelog.plant.forms.tracing import DefectCodeForm, PlaceForm, SymptomForm
from linelog.plant.models import DefectCode, FindingPlace, Plant, Symptom
from linelog.plant.requests import Request
from linelog.plant.services import tracing as services
from linelog.plant.views.pages import Page, keep, plant_or_404, rows_of
from linelog.web.permissions import Permission, may, needs

EDIT = ["GET", "POST"]
REMOVABLE: dict[str, Any] = {"removable": True, "back_words": "Back"}
HYPOTHESES = "Hypotheses, not diagnoses: where one would look first for this defect."


def lists_url(plant: Plant) -> str:
    """Where the lists of a plant are."""
    return reverse("plant:tracing", args=[plant.pk])


@needs(Permission.TRACE)
@require_GET
def tracing(request: Request, plant_id: int) -> HttpResponse:
    """Show the places, the defect codes, and where each code would have one look first; to change by who sets up."""
    plant = plant_or_404(request, plant_id)
    codes = plant.defect_codes.prefetch_related("symptoms")
    may_set_up = may(request.user, Permission.SET_UP)
    context = {"site": plant, "places": plant.finding_places.all(), "codes": codes, "may_set_up": may_set_up}
    return render(request, "plant/tracing.html", context)


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def add_place(request: Request, plant_id: int) -> HttpResponse:
    """Add a place where findings are made."""
    plant = plant_or_404(request, plant_id)
    add = partial(services.add_place, by=request.user, at=timezone.now(), plant=plant)
    return keep(
        request, Page("Add a place", lists_url(plant), button="Add"), PlaceForm, lambda form: add(**form.facts())
    )


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def place(request: Request, place_id: int) -> HttpResponse:
    """Change or remove a place."""
    row = get_object_or_404(rows_of(request, FindingPlace, "plant"), pk=place_id)
    who = {"by": request.user, "at": timezone.now(), "place": row}
    return keep(
        request,
        Page(f"Place {row}", lists_url(row.plant), **REMOVABLE),
        partial(PlaceForm, row=row),
        lambda form: services.change_place(**who, version=form.cleaned_data["version"], facts=form.facts()),
        remove=lambda version: services.remove_place(**who, version=version),
    )


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def add_code(request: Request, plant_id: int) -> HttpResponse:
    """Add a defect code."""
    plant = plant_or_404(request, plant_id)
    add = partial(services.add_code, by=request.user, at=timezone.now(), plant=plant)
    page = Page("Add a defect code", lists_url(plant), button="Add")
    return keep(request, page, DefectCodeForm, lambda form: add(**form.facts()))


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def code(request: Request, code_id: int) -> HttpResponse:
    """Change or remove a defect code."""
    row = get_object_or_404(rows_of(request, DefectCode, "plant"), pk=code_id)
    who = {"by": request.user, "at": timezone.now(), "code": row}
    return keep(
        request,
        Page(f"Defect code {row}", lists_url(row.plant), **REMOVABLE),
        partial(DefectCodeForm, row=row),
        lambda form: services.change_code(**who, version=form.cleaned_data["version"], facts=form.facts()),
        remove=lambda version: services.remove_code(**who, version=version),
    )


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def add_symptom(request: Request, code_id: int) -> HttpResponse:
    """Add a row to the symptom table."""
    of = get_object_or_404(rows_of(request, DefectCode, "plant"), pk=code_id)
    add = partial(services.add_symptom, by=request.user, at=timezone.now(), code=of)
    page = Page(f"{of}: where to look", lists_url(of.plant), lead=HYPOTHESES, button="Add")
    return keep(request, page, SymptomForm, lambda form: add(facts=form.facts()))


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def symptom(request: Request, symptom_id: int) -> HttpResponse:
    """Change a row of the symptom table, or take it out."""
    row = get_object_or_404(rows_of(request, Symptom, "code__plant"), pk=symptom_id)
    who = {"by": request.user, "at": timezone.now(), "symptom": row}
    return keep(
        request,
        Page(f"{row.code}: where to look", lists_url(row.code.plant), lead=HYPOTHESES, **REMOVABLE),
        partial(SymptomForm, row=row),
        lambda form: services.change_symptom(**who, version=form.cleaned_data["version"], facts=form.facts()),
        remove=lambda version: services.remove_symptom(**who, version=version),
    )
