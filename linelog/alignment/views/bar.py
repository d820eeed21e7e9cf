"""The bar in the cradle in a visit: its set-up, and the sub-assemblies set to it by a fitting."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from linelog.alignment.forms.bar import BarForm, FittingForm
from linelog.alignment.models import BarSetup, Stage, Visit
from linelog.alignment.models.sweep import Method
from linelog.alignment.queries import visits_for
from linelog.alignment.services import bar as services
from linelog.calc.sweep import droop_from_sag
from linelog.plant.models import Station
from linelog.plant.requests import Request
from linelog.web import units
from linelog.web.errors import Conflict, Refused
from linelog.web.permissions import Permission, may, needs


def _visit(request: Request, visit_id: int) -> Visit:
    return get_object_or_404(visits_for(request.user), pk=visit_id)


def _shown(request: Request, visit: Visit, status: int = 200, **forms: Any) -> HttpResponse:
    row = BarSetup.objects.filter(visit=visit).select_related("by").first()
    swept = visit.results.filter(stage=Stage.AS_LEFT, method=Method.STATIC, carried=False)
    verified = set(swept.values_list("station_id", flat=True))
    set_so = visit.set_by_fitting.select_related("station", "by")
    context = {
        "visit": visit,
        "bar": row,
        "droop_um": droop_from_sag(row.sag_um) if row else None,
        "fittings": [(one, one.station_id in verified) for one in set_so],
        "may_log": visit.is_open and may(request.user, Permission.LOG_VISIT),
        "bar_form": BarForm(unit=units.of(request.user), initial=BarForm.initial_of(row)),
        "fitting_form": FittingForm(machine=visit.machine),
        **forms,
    }
    return render(request, "alignment/bar.html", context, status=status)


@require_GET
@needs(Permission.VIEW)
def page(request: Request, visit_id: int) -> HttpResponse:
    """Show how the bar is set up in a visit and what was set to it."""
    return _shown(request, _visit(request, visit_id))


@require_POST
@needs(Permission.LOG_VISIT)
def set_up(request: Request, visit_id: int) -> HttpResponse:
    """Keep the set-up of the bar."""
    visit = _visit(request, visit_id)
    form, status = BarForm(request.POST, unit=units.of(request.user)), 422
    if form.is_valid():
        version = form.cleaned_data["version"] or 0
        try:
            services.set_up_bar(
                by=request.user, visit=visit, choice=form.choice(), version=version, at=timezone.now()
            )
            return redirect("alignment:bar", visit.pk)
        except Conflict as conflict:
            status = 409
            form.data = {**request.POST.dict(), "version": conflict.theirs.version if conflict.theirs else 0}
            form.add_error(None, f"{conflict.message} Theirs stands above; save again to put yours in its place.")
        except Refused as refusal:
            form.add_error(None, refusal.message)
    return _shown(request, visit, status, bar_form=form)


@require_POST
@needs(Permission.LOG_VISIT)
def fitting(request: Request, visit_id: int) -> HttpResponse:
    """Keep that a sub-assembly was set by a fitting, or take it back."""
    visit = _visit(request, visit_id)
    form = FittingForm(request.POST, machine=visit.machine)
    who: dict[str, Any] = {"by": request.user, "visit": visit, "at": timezone.now()}
    try:
        if request.POST.get("back"):
            station = get_object_or_404(
                Station.objects.for_user(request.user),
                pk=request.POST["back"] if request.POST["back"].isdecimal() else 0,
            )
            services.take_fitting_back(**who, station=station)
            return redirect("alignment:bar", visit.pk)
        if form.is_valid():
            services.set_by_fitting(**who, **form.cleaned_data)
            return redirect("alignment:bar", visit.pk)
    except Refused as refusal:
        form.full_clean()
        form.add_error(refusal.field if refusal.field in form.fields else None, refusal.message)
    return _shown(request, visit, 422, fitting_form=form)
