"""The causes a plant sorts its spoilage by."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from linelog.plant.requests import Request
from linelog.production.forms import CauseForm, NewCauseForm
from linelog.production.models import SpoilageCause
from linelog.production.services import causes
from linelog.production.views.counts import sent, tell
from linelog.web.errors import Refused
from linelog.web.permissions import Permission, may, needs


@needs(Permission.VIEW)
@require_GET
def everything(request: Request) -> HttpResponse:
    """List the causes."""
    context = {
        "causes": SpoilageCause.objects.for_user(request.user).select_related("plant"),
        "may_change": may(request.user, Permission.ENTER_COUNTS),
    }
    return render(request, "production/causes.html", context)


@needs(Permission.ENTER_COUNTS)
@require_http_methods(["GET", "POST"])
def add(request: Request) -> HttpResponse:
    """Add a cause."""
    form = NewCauseForm(sent(request), user=request.user)
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        try:
            cause = causes.add(
                by=request.user, at=timezone.now(), plant=form.plant(), code=given["code"], name=given["name"]
            )
        except Refused as refusal:
            tell(form, refusal)
        else:
            messages.success(request, f"Added: {cause}.")
            return redirect("production:causes")
    status = 422 if request.method == "POST" else 200
    return render(request, "production/cause.html", {"form": form}, status=status)


@needs(Permission.ENTER_COUNTS)
@require_http_methods(["GET", "POST"])
def one(request: Request, cause_id: int) -> HttpResponse:
    """Change a cause."""
    cause = get_object_or_404(SpoilageCause.objects.for_user(request.user), pk=cause_id)
    form = CauseForm(sent(request), initial={"code": cause.code, "name": cause.name})
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        try:
            causes.change(by=request.user, at=timezone.now(), cause=cause, code=given["code"], name=given["name"])
        except Refused as refusal:
            tell(form, refusal)
        else:
            messages.success(request, "Stored.")
            return redirect("production:causes")
    status = 422 if request.method == "POST" else 200
    return render(request, "production/cause.html", {"form": form, "cause": cause}, status=status)


@needs(Permission.ENTER_COUNTS)
@require_POST
def take_out(request: Request, cause_id: int) -> HttpResponse:
    """Take out a cause that nothing is counted under."""
    cause = get_object_or_404(SpoilageCause.objects.for_user(request.user), pk=cause_id)
    causes.take_out(by=request.user, at=timezone.now(), cause=cause)
    messages.success(request, f"Taken out: {cause}.")
    return redirect("production:causes")
