"""Findings: entering, correcting, taking out, and their photos. What they trace to is shown by the trends."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import FileResponse, Http404, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from linelog.plant.models import Plant
from linelog.plant.requests import Request
from linelog.production.finding_forms import CorrectFindingForm, FindingPhotoForm, NewFindingForm, initial_of
from linelog.production.models import Finding, FindingPhoto
from linelog.production.questions import AsksFirst
from linelog.production.services import findings
from linelog.production.views.counts import sent, tell
from linelog.web.errors import Conflict, Refused
from linelog.web.permissions import Permission, needs
from linelog.web.requests import whole

MOST_ANSWERS, MOST_OF_AN_ANSWER = 4, 40
BEGUN = ("place", "code", "mark", "machine", "made_on", "found_on")


def _plant_of(request: Request) -> Plant:
    """Return the person's own plant; one who belongs to none says which by ?plant=, else the first there is."""
    plants = Plant.objects.for_user(request.user)
    asked = whole(request.GET.get("plant", ""))
    if request.user.plant_id is None and asked is not None:
        plants = plants.filter(pk=asked)
    plant = plants.first()
    if plant is None:
        raise Http404
    return plant


@needs(Permission.TRACE)
@require_http_methods(["GET", "POST"])
def add(request: Request) -> HttpResponse:
    """Enter a finding."""
    plant, now = _plant_of(request), timezone.now()
    begun = {name: request.GET[name] for name in BEGUN if request.GET.get(name)}
    files = request.FILES if request.method == "POST" else None
    form = NewFindingForm(sent(request), files, user=request.user, plant=plant, now=now, initial=begun)
    context: dict[str, Any] = {"form": form, "of_plant": plant}
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        answered = [one[:MOST_OF_AN_ANSWER] for one in request.POST.getlist("answered")[:MOST_ANSWERS]]
        more: dict[str, Any] = {"photo": given["photo"], "key": given["key"], "answered": answered}
        try:
            finding = findings.enter(by=request.user, at=now, plant=plant, facts=form.facts(), **more)
        except AsksFirst as asks:
            context |= {"question": asks.question, "answered": answered, "photo_again": given["photo"]}
        except Refused as refusal:
            tell(form, refusal)
        else:
            messages.success(request, "Stored: this is where it leads.")
            return redirect("trends:finding", finding.pk)
    status = 422 if request.method == "POST" else 200
    return render(request, "production/finding.html", context, status=status)


def _find(request: Request, finding_id: int) -> Finding:
    rows = Finding.objects.for_user(request.user).select_related("plant", "place", "code", "machine")
    return get_object_or_404(rows, pk=finding_id)


@needs(Permission.TRACE)
@require_http_methods(["GET", "POST"])
def correct(request: Request, finding_id: int) -> HttpResponse:
    """Correct a finding; ?machine= is chosen beforehand."""
    finding, theirs, status = _find(request, finding_id), None, 200
    chosen = {"machine": request.GET["machine"]} if request.GET.get("machine") else {}
    initial = {**initial_of(finding), **chosen}
    form = CorrectFindingForm(sent(request), user=request.user, plant=finding.plant, initial=initial)
    if request.method == "POST":
        status = 422
        if form.is_valid():
            given: dict[str, Any] = {"version": form.cleaned_data["version"], "facts": form.facts()}
            try:
                findings.correct(by=request.user, at=timezone.now(), finding=finding, **given)
            except Conflict as conflict:
                theirs, status = conflict.theirs, conflict.status
                if theirs is None:  # taken out meanwhile
                    raise
                form.data = {**request.POST.dict(), "version": theirs.version}
            except Refused as refusal:
                tell(form, refusal)
            else:
                messages.success(request, "Corrected; the history keeps what it said before.")
                return redirect("trends:finding", finding.pk)
    context = {"form": form, "finding": finding, "theirs": theirs, "of_plant": finding.plant}
    return render(request, "production/finding.html", context, status=status)


@needs(Permission.TRACE)
@require_POST
def take_out(request: Request, finding_id: int) -> HttpResponse:
    """Take out a finding that was entered in error."""
    finding = _find(request, finding_id)
    version = whole(request.POST.get("version", ""))
    if version is None:
        raise Refused("Reload the page and send it again.")
    findings.take_out(by=request.user, at=timezone.now(), finding=finding, version=version)
    messages.success(request, "Taken out; the history keeps what it said.")
    return redirect("trends:findings")


@needs(Permission.TRACE)
@require_http_methods(["GET", "POST"])
def add_photo(request: Request, finding_id: int) -> HttpResponse:
    """Keep one more photo with a finding, or say why it can't be."""
    finding = _find(request, finding_id)
    form = FindingPhotoForm(sent(request), request.FILES if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        try:
            findings.add_photo(by=request.user, at=timezone.now(), finding=finding, upload=form.cleaned_data["photo"])
            return redirect("trends:finding", finding.pk)
        except Refused as refusal:
            tell(form, refusal)
    status = 422 if request.method == "POST" else 200
    return render(request, "production/finding_photo.html", {"form": form, "finding": finding}, status=status)


@needs(Permission.VIEW)
@require_GET
def photo(request: Request, photo_id: int) -> HttpResponseBase:
    """Send a photo of the person's own plant."""
    found = get_object_or_404(FindingPhoto.objects.for_user(request.user), pk=photo_id)
    response = FileResponse(found.file.open("rb"), content_type="image/jpeg")
    response["Cache-Control"] = "private, max-age=86400, immutable"
    return response
