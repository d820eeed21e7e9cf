"""Pages of the stops."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from linelog.planning.forms import StopForm, VersionForm
from linelog.planning.models import StopWindow
from linelog.planning.services import stops as services
from linelog.plant.models import Plant
from linelog.plant.requests import Request
from linelog.web.errors import Conflict, Refused
from linelog.web.permissions import Permission, needs


@require_http_methods(["GET", "POST"])
@needs(Permission.PLAN)
def add(request: Request, plant_id: int) -> HttpResponse:
    """Add a stop."""
    plant = get_object_or_404(Plant.objects.for_user(request.user), pk=plant_id)
    form = StopForm(request.POST or None, plant=plant)
    return _keep(request, form, plant, None)


@require_http_methods(["GET", "POST"])
@needs(Permission.PLAN)
def stop(request: Request, pk: int) -> HttpResponse:
    """Change or remove a stop."""
    rows = StopWindow.objects.for_user(request.user).select_related("plant", "line", "machine")
    row = get_object_or_404(rows, pk=pk)
    if request.method == "POST" and "remove" in request.POST:
        return _remove(request, row)
    form = StopForm(request.POST or None, plant=row.plant, row=row)
    return _keep(request, form, row.plant, row)


def _store(request: Request, form: StopForm, plant: Plant, row: StopWindow | None) -> None:
    by, at, facts = request.user, timezone.now(), form.facts()
    if row is None:
        services.add(by=by, at=at, plant=plant, facts=facts, more_weeks=form.cleaned_data["more_weeks"] or 0)
    else:
        data = form.cleaned_data
        services.change(
            by=by, at=at, stop=row, version=data["version"] or 0, facts=facts, later=data.get("later", False)
        )


def _keep(request: Request, form: StopForm, plant: Plant, row: StopWindow | None) -> HttpResponse:
    """Show the form; on a POST store it and go back to the plan."""
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                _store(request, form, plant, row)
            except Refused as refusal:
                status = refusal.status
                form.add_error(refusal.field if refusal.field in form.fields else None, refusal.message)
            else:
                messages.success(request, "Stored.")
                return redirect(_back(plant))
    context = {"form": form, "site": plant, "row": row, "back": _back(plant)}
    return render(request, "planning/stop.html", context, status=status)


def _remove(request: Request, row: StopWindow) -> HttpResponse:
    going = VersionForm(request.POST)
    if not going.is_valid():
        raise Conflict("Reload the page and press it again.")
    version, later = going.cleaned_data["version"], request.POST.get("remove") == "later"
    gone = services.remove(by=request.user, at=timezone.now(), stop=row, version=version, later=later)
    messages.success(request, f"{gone} stop{'s' if gone > 1 else ''} removed; the history keeps what was there.")
    return redirect(_back(row.plant))


def _back(plant: Plant) -> str:
    return f"{reverse('planning:plan')}?plant={plant.pk}"
