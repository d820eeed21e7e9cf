"""Pages of the tooling sets: their parts, and on which machine each was when."""

from __future__ import annotations

from functools import partial
from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from linelog.calc.errors import CalcError
from linelog.plant.forms.fields import DATETIME_LOCAL
from linelog.plant.forms.tooling import FitForm, PartForm, PartFormSet, RemovalForm, SetForm, TryForm
from linelog.plant.ironing import SetSchedule, change_words, not_ground, schedule_of, try_tools
from linelog.plant.models import Fitting, Plant, ToolingSet
from linelog.plant.requests import Request
from linelog.plant.services import tooling as services
from linelog.plant.views.pages import overview_url, plant_or_404, rows_of
from linelog.web import units
from linelog.web.forms import add_row
from linelog.web.permissions import Permission, needs

EDIT = ["GET", "POST"]


def set_or_404(request: Request, set_id: int) -> Any:
    """Return a tooling set that is this person's to set up."""
    return get_object_or_404(rows_of(request, ToolingSet, "plant"), pk=set_id)


TRIED = "try"


def _trying(request: Request, found: SetSchedule) -> dict[str, Any]:
    """Return the form of other tools and, where it was sent, what they would do."""
    if found.tooling is None:
        return {}
    unit, sent = units.of(request.user), request.GET if TRIED in request.GET else None
    form = TryForm(sent, tooling=found.tooling, cup_wall_um=found.cup.wall_um, unit=unit)
    if sent is None or not form.is_valid():
        return {"try_form": form}
    try:
        tried = try_tools(found, form.tooling(), form.cleaned_data["cup_wall_um"])
    except CalcError as error:
        form.refuse(error)
        return {"try_form": form}
    words = [*not_ground(found.tooling, form.tooling()), *change_words(tried.change, unit)]
    return {"try_form": form, "tried": tried, "tried_words": words}


def _set_page(request: Request, row: ToolingSet, *, status: int = 200, **more: Any) -> HttpResponse:
    fittings = row.fittings.select_related("machine__line")
    now = timezone.localtime().strftime(DATETIME_LOCAL)
    parts = list(row.parts.all())
    found = schedule_of(row, row.plant, parts)
    current = next((fitting for fitting in fittings if fitting.removed_at is None), None)
    context = {
        "set": row,
        "parts": parts,
        "found": found,
        "since_new": change_words(found.since_new, units.of(request.user)) if found.since_new else [],
        "fittings": fittings,
        "current": current,
        "zone": timezone.get_current_timezone_name(),
        "fit_form": FitForm(plant=row.plant, initial={"fitted_at": now}),
        "removal_form": RemovalForm(initial={"removed_at": now, "version": current.version if current else None}),
        **_trying(request, found),
        **more,
    }
    tried = context.get("try_form")
    asked = request.htmx and TRIED in request.GET
    status = 422 if tried is not None and tried.errors else status
    return render(request, "plant/set.html#tried" if asked else "plant/set.html", context, status=status)


@needs(Permission.SET_UP)
@require_GET
def tooling_set(request: Request, set_id: int) -> HttpResponse:
    """Show a set: its parts, where it is, and where it has been."""
    return _set_page(request, set_or_404(request, set_id))


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def add_set(request: Request, plant_id: int) -> HttpResponse:
    """Add a tooling set."""
    plant = plant_or_404(request, plant_id)
    add = partial(services.add_set, by=request.user, at=timezone.now(), plant=plant)
    return _keep_set(request, plant, None, lambda form, parts: add(facts=form.facts(), parts=parts.changes()))


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def set_edit(request: Request, set_id: int) -> HttpResponse:
    """Change a set and its parts."""
    row = set_or_404(request, set_id)
    change = partial(services.change_set, by=request.user, at=timezone.now(), tooling_set=row)
    return _keep_set(
        request,
        row.plant,
        row,
        lambda form, parts: change(version=form.cleaned_data["version"], facts=form.facts(), parts=parts.changes()),
    )


def _keep_set(request: Request, plant: Plant, row: ToolingSet | None, store: Any) -> HttpResponse:
    posted = request.method == "POST"
    adding = posted and "add_row" in request.POST
    data = request.POST.copy() if posted else None
    if adding and data is not None:
        add_row(data, "parts")
    unit = units.of(request.user)
    start = [PartForm.initial_of(part) for part in row.parts.all()] if row else []
    form = SetForm(data, row=row)
    parts = PartFormSet(data, initial=start, prefix="parts", form_kwargs={"unit": unit})
    kept: list[ToolingSet] = []
    if posted and not adding and parts.is_valid() and form.attempt(lambda: kept.append(store(form, parts))):
        return redirect("plant:tooling_set", kept[0].pk)
    back = reverse("plant:tooling_set", args=[row.pk]) if row else overview_url(plant)
    context = {"form": form, "parts": parts, "set": row, "back": back, "adding": adding}
    status = 200 if adding or not posted else 422 if not parts.is_valid() else form.status
    template = "plant/set_edit.html#parts" if adding and request.htmx else "plant/set_edit.html"
    return render(request, template, context, status=status)


@needs(Permission.SET_UP)
@require_POST
def fit(request: Request, set_id: int) -> HttpResponse:
    """Fit a set to a machine."""
    row = set_or_404(request, set_id)
    form = FitForm(request.POST, plant=row.plant)
    put = partial(services.fit, by=request.user, at=timezone.now(), tooling_set=row)
    if form.attempt(lambda: put(**form.facts())):
        return redirect("plant:tooling_set", row.pk)
    return _set_page(request, row, status=form.status, fit_form=form)


@needs(Permission.SET_UP)
@require_POST
def take_off(request: Request, fitting_id: int) -> HttpResponse:
    """Take a set off its machine, with a reason."""
    row = get_object_or_404(rows_of(request, Fitting, "tooling_set__plant"), pk=fitting_id)
    form = RemovalForm(request.POST)
    off = partial(services.remove, by=request.user, at=timezone.now(), fitting=row)
    if form.attempt(lambda: off(version=form.cleaned_data["version"], **form.facts())):
        return redirect("plant:tooling_set", row.tooling_set_id)
    return _set_page(request, row.tooling_set, status=form.status, removal_form=form)
