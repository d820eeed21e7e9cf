"""Pages of the rules that narrow limits."""

from __future__ import annotations

from functools import partial
from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from linelog.plant.forms.limits import LimitRuleForm
from linelog.plant.models import LimitRule
from linelog.plant.requests import Request
from linelog.plant.services import limits as services
from linelog.plant.views.pages import Page, keep, overview_url, plant_or_404, rows_of
from linelog.web import units
from linelog.web.permissions import Permission, needs

EDIT = ["GET", "POST"]
LEAD = (
    "The narrowest rule that matches holds, at the machine's set speed and for the can that its tools make; never "
    "one wider than the station's own limit. Results keep the limit of their day and the rule that gave it."
)


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def add_rule(request: Request, plant_id: int) -> HttpResponse:
    """Add a rule."""
    plant = plant_or_404(request, plant_id)
    add = partial(services.add_rule, by=request.user, at=timezone.now(), plant=plant)
    return keep(
        request,
        Page("Add a rule that narrows limits", overview_url(plant), lead=LEAD, button="Add"),
        partial(LimitRuleForm, plant=plant, unit=units.of(request.user)),
        lambda form: add(facts=form.facts()),
    )


@needs(Permission.SET_UP)
@require_http_methods(EDIT)
def rule(request: Request, rule_id: int) -> HttpResponse:
    """Change or remove a rule."""
    row = get_object_or_404(rows_of(request, LimitRule, "plant"), pk=rule_id)
    who: dict[str, Any] = {"by": request.user, "at": timezone.now(), "rule": row}
    return keep(
        request,
        Page(f"Rule for {row}", overview_url(row.plant), lead=LEAD, removable=True, back_words="Back"),
        partial(LimitRuleForm, row=row, plant=row.plant, unit=units.of(request.user)),
        lambda form: services.change_rule(**who, version=form.cleaned_data["version"], facts=form.facts()),
        remove=lambda version: services.remove_rule(**who, version=version),
    )
