"""Shift counts: the list, one shift with its history, entering, correcting, taking out, export."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpResponse, HttpResponseBase, StreamingHttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from linelog.plant.requests import Request
from linelog.production import exporting, listing
from linelog.production.forms import CorrectForm, EnterForm, FilterForm, initial_of
from linelog.production.models import CountChange, ShiftCount, SpoilageCause
from linelog.production.services import counts
from linelog.web.errors import Conflict, Refused
from linelog.web.permissions import Permission, may, needs
from linelog.web.requests import query_without_page, whole


def tell(form: forms.Form, refusal: Refused) -> None:
    """Put a refusal beside the field it belongs to, or above the form."""
    form.add_error(refusal.field if refusal.field in form.fields else None, refusal.message)


def sent(request: Request) -> Any:
    """Return what a form was sent with; None where it is only looked at."""
    return request.POST if request.method == "POST" else None


def chosen_page(request: Request, rows: Any, template: str, prepare: Any = None) -> HttpResponse:
    """Render a list with its choice; asked by htmx, only the list."""
    form = FilterForm(request.GET, user=request.user)
    good = form.is_valid()
    page = listing.page_of(rows(request.user, form.cleaned_data if good else {}), request.GET.get("page", "1"))
    context = {
        "form": form,
        "page": page,
        "rows": prepare(page.rows) if prepare else page.rows,
        "query": query_without_page(request),
        "may_change": may(request.user, Permission.ENTER_COUNTS),
    }
    return render(request, f"{template}#list" if request.htmx else template, context, status=200 if good else 422)


@needs(Permission.VIEW)
@require_GET
def recent(request: Request) -> HttpResponse:
    """List the shifts, newest first."""
    return chosen_page(request, listing.shifts, "production/counts.html")


@needs(Permission.VIEW)
@require_GET
def changes(request: Request) -> HttpResponse:
    """List the rows that were replaced."""
    return chosen_page(request, listing.changes, "production/changes.html", listing.with_differences)


@needs(Permission.ENTER_COUNTS)
@require_http_methods(["GET", "POST"])
def enter(request: Request) -> HttpResponse:
    """Enter a shift."""
    now = timezone.now()
    begun = {name: request.GET.get(name) for name in ("machine", "day", "shift")}
    form = EnterForm(sent(request), user=request.user, now=now, initial=begun)
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        keys = {name: given[name] for name in ("machine", "day", "shift", "key")}
        try:
            count = counts.enter(by=request.user, at=now, numbers=form.numbers(), **keys)
        except Refused as refusal:
            tell(form, refusal)
        else:
            messages.success(request, f"Stored: {count}.")
            return redirect("production:counts")
    status = 422 if request.method == "POST" else 200
    return render(request, "production/enter.html", {"form": form}, status=status)


def _find(request: Request, count_id: int) -> ShiftCount:
    shifts = ShiftCount.objects.for_user(request.user).select_related("machine__line", "shift", "upload")
    return get_object_or_404(shifts, pk=count_id)


@needs(Permission.VIEW)
@require_GET
def row(request: Request, count_id: int) -> HttpResponse:
    """Show one shift and what it said before."""
    count = _find(request, count_id)
    replaced = CountChange.objects.filter(machine=count.machine_id, day=count.day, shift=count.shift_id)
    context = {
        "count": count,
        "may_change": may(request.user, Permission.ENTER_COUNTS),
        "changes": listing.with_differences(list(replaced.select_related("by", "upload")[:100])),
    }
    return render(request, "production/row.html", context)


@needs(Permission.ENTER_COUNTS)
@require_http_methods(["GET", "POST"])
def correct(request: Request, count_id: int) -> HttpResponse:
    """Correct a shift."""
    count, theirs, status = _find(request, count_id), None, 200
    causes = list(SpoilageCause.objects.filter(plant=count.machine.line.plant_id))
    form = CorrectForm(sent(request), causes=causes, initial=initial_of(count, causes))
    if request.method == "POST":
        status = 422
        if form.is_valid():
            version = form.cleaned_data["version"]
            try:
                counts.correct(
                    by=request.user, at=timezone.now(), count=count, numbers=form.numbers(), version=version
                )
            except Conflict as conflict:
                theirs, status = conflict.theirs, conflict.status
                if theirs is None:  # taken out meanwhile
                    raise
                form.data = {**request.POST.dict(), "version": theirs.version}
            else:
                messages.success(request, f"Corrected: {count}.")
                return redirect("production:row", count_id=count.pk)
    return render(request, "production/correct.html", {"count": count, "form": form, "theirs": theirs}, status=status)


@needs(Permission.ENTER_COUNTS)
@require_POST
def take_out(request: Request, count_id: int) -> HttpResponse:
    """Take out a shift that was counted in error."""
    count = get_object_or_404(ShiftCount.objects.for_user(request.user), pk=count_id)
    version = whole(request.POST.get("version", ""))
    if version is None:
        raise Refused("Reload the page and send it again.")
    counts.take_out(by=request.user, at=timezone.now(), count=count, version=version)
    messages.success(request, f"Taken out: {count}.")
    return redirect("production:counts")


@needs(Permission.VIEW)
@require_GET
def export(request: Request) -> HttpResponseBase:
    """Send the chosen shifts as CSV, in the layout that an upload reads."""
    form = FilterForm(request.GET, user=request.user)
    if not form.is_valid():
        raise Refused("Choose the machine and the span on the page of counts first.")
    rows = listing.shifts(request.user, form.cleaned_data)
    pieces = exporting.lines(rows, exporting.plants_of(request.user))
    named = {"Content-Disposition": 'attachment; filename="counts.csv"'}
    return StreamingHttpResponse(pieces, content_type="text/csv; charset=utf-8", headers=named)
