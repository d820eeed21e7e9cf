"""The lockout of a visit: its page, and each step of its life."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.cache import get_conditional_response
from django.utils.http import quote_etag
from django.views.decorators.http import require_GET, require_POST

from linelog.alignment.forms.lockout import OwnLockForm, ReturnForm, VerifyForm
from linelog.alignment.lockout import status_of
from linelog.alignment.models import Lockout, Visit
from linelog.alignment.place import offline_urls
from linelog.alignment.queries import stations_of, visits_for
from linelog.alignment.services import lockouts as services
from linelog.plant.lockout import words_of
from linelog.plant.requests import Request
from linelog.web.errors import Refused
from linelog.web.keeping import keep
from linelog.web.permissions import Permission, may, needs
from linelog.web.requests import row_named, typed_at


def _seen_by(request: Request, visit: Visit) -> dict[str, Any]:
    """Return how the lockout of a visit stands for who reads it."""
    found = status_of(visit, timezone.now())
    own = found.has_lock_of(str(request.user))
    return {"lockout": found, "lockout_mark": found.mark(own=own), "own_lock": own}


def lockout_context(request: Request, visit: Visit, form: VerifyForm | None = None) -> dict[str, Any]:
    """Return what a page shows of a visit's lockout; the number of the procedure alone is filled in."""
    words = words_of(visit.machine)
    return {
        **_seen_by(request, visit),
        "lockout_words": words,
        "lockout_form": form or VerifyForm(initial={"lockout_procedure": words.number}),
    }


def lockout_page(request: Request, visit: Visit, status: int = 200, **forms: Any) -> HttpResponse:
    """Render the page of a visit's lockout; `forms` hands back what was refused."""
    context = lockout_context(request, visit, forms.pop("lockout_form", None))
    found = context["lockout"]
    may_log, own = may(request.user, Permission.LOG_VISIT), context["own_lock"]
    other = services.lately_at_work(visit, request.user, timezone.now())
    context |= {
        "visit": visit,
        "at_work": other,
        "mine": [lock.pk for lock in found.locks_on if lock.is_of(str(request.user))],
        "may_log": may_log and visit.is_open,
        "keep_urls": offline_urls(visit, stations_of(visit.machine)) if may_log and visit.is_open else [],
        "may_return": may_log and found.to_return,
        "lock_form": OwnLockForm(initial={} if own else {"name": str(request.user)}),
        "return_form": ReturnForm(status=found, other=other),
        "ends": [(how, Lockout.Ended(how).label) for how in sorted(services.BY_HAND)],
        "history": visit.lockouts.prefetch_related("locks").select_related("logged_by"),
        **forms,
    }
    return render(request, "alignment/lockout.html", context, status=status)


def the_visit(request: Request, visit_id: int) -> Visit:
    """Return the visit, or 404 where it is not of this person's plant."""
    return get_object_or_404(visits_for(request.user), pk=visit_id)


@require_GET
@needs(Permission.VIEW)
def show(request: Request, visit_id: int) -> HttpResponse:
    """Show how the lockout stands, its locks, and every lockout of the visit."""
    visit = the_visit(request, visit_id)
    response = lockout_page(request, visit)
    return keep(request, response) if visit.is_open else response


@require_GET
@needs(Permission.VIEW)
def now(request: Request, visit_id: int) -> HttpResponse:
    """Say how the lockout stands, to a page left open; nothing (304) where it is as the page says it knows it."""
    visit = the_visit(request, visit_id)
    context = {"visit": visit, **_seen_by(request, visit)}
    tag = quote_etag(context["lockout_mark"])
    known = get_conditional_response(request, etag=tag)
    response = known or render(request, "alignment/_lockout_now.html", context)
    response["ETag"] = tag
    return response


def _after(request: Request, visit: Visit) -> HttpResponse:
    """Lead back to the station that waited for the lockout, else to its page; a tablet's queue just needs a yes."""
    if request.htmx:
        return HttpResponse('<p id="lockout">Verified.</p>')
    station = row_named(visit.machine.stations.all(), request.POST.get("next_station", ""))
    if station:
        return redirect("alignment:station", visit.pk, station.pk)
    return redirect("alignment:lockout_page", visit.pk)


@require_POST
@needs(Permission.LOG_VISIT)
def verify(request: Request, visit_id: int) -> HttpResponse:
    """Write down a verified lockout."""
    visit = the_visit(request, visit_id)
    form, now = VerifyForm(request.POST), timezone.now()
    if form.is_valid():
        key, said_at = request.headers.get("X-Write-Key", "")[:64], typed_at(request, now)
        given = form.verification()
        try:
            services.verify_lockout(by=request.user, visit=visit, given=given, at=now, said_at=said_at, key=key)
            return _after(request, visit)
        except Refused as refusal:
            form.add_error(refusal.field if refusal.field in form.fields else None, refusal.message)
    return lockout_page(request, visit, status=422, lockout_form=form)


@require_POST
@needs(Permission.LOG_VISIT)
def hang(request: Request, visit_id: int) -> HttpResponse:
    """Write down one's own lock."""
    visit = the_visit(request, visit_id)
    form = OwnLockForm(request.POST)
    if form.is_valid():
        data = form.cleaned_data
        try:
            services.put_lock(
                by=request.user, visit=visit, name=data["name"], number=data["number"], at=timezone.now()
            )
            return redirect("alignment:lockout_page", visit.pk)
        except Refused as refusal:
            form.add_error(refusal.field if refusal.field in form.fields else None, refusal.message)
    return lockout_page(request, visit, status=422, lock_form=form)


@require_POST
@needs(Permission.LOG_VISIT)
def take_off(request: Request, visit_id: int, lock_id: int) -> HttpResponse:
    """Write down that somebody took their own lock off."""
    visit = the_visit(request, visit_id)
    try:
        spoken_to = request.POST.get("spoken_to") == "on"
        services.take_lock_off(by=request.user, visit=visit, lock_id=lock_id, at=timezone.now(), spoken_to=spoken_to)
    except Refused as refusal:
        return lockout_page(request, visit, status=refusal.status, lock_problem=refusal.message)
    return redirect("alignment:lockout_page", visit.pk)


@require_POST
@needs(Permission.LOG_VISIT)
def end(request: Request, visit_id: int) -> HttpResponse:
    """Say that the machine was run, or the lockout taken off for inching or a test."""
    visit = the_visit(request, visit_id)
    try:
        how, clear = request.POST.get("how", ""), request.POST.get("clear") == "on"
        services.end_lockout(by=request.user, visit=visit, how=how, at=timezone.now(), clear=clear)
    except Refused as refusal:
        return lockout_page(request, visit, status=refusal.status, end_problem=refusal.message)
    return redirect("alignment:lockout_page", visit.pk)


@require_POST
@needs(Permission.LOG_VISIT)
def give_back(request: Request, visit_id: int) -> HttpResponse:
    """Write down the return to service."""
    visit = the_visit(request, visit_id)
    now = timezone.now()
    other = services.lately_at_work(visit, request.user, now)
    form = ReturnForm(request.POST, status=status_of(visit, now), other=other)
    if form.is_valid():
        try:
            services.return_to_service(by=request.user, visit=visit, given=form.given(), at=now)
            return redirect("alignment:lockout_page", visit.pk)
        except Refused as refusal:
            form.add_error(refusal.field if refusal.field in form.fields else None, refusal.message)
    return lockout_page(request, visit, status=422, return_form=form)
