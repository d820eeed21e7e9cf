"""The secret addresses of a line, and what calendar programs and wall displays fetch there."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from linelog.planning import displays
from linelog.planning.feed import calendar_of
from linelog.planning.forms import CalendarForm
from linelog.planning.models import CalendarAddress
from linelog.planning.queries import address_for, for_calendar
from linelog.planning.services import calendars as services
from linelog.plant.requests import Request
from linelog.web.permissions import Permission, needs

READ_AT = {"calendar": "planning:feed", "display": "planning:display"}


def _address(secret: str, kind: str) -> CalendarAddress:
    """Return an address by its secret; one that is unknown, closed or for something else is not there."""
    address = address_for(services.digest_of(secret), kind)
    if address is None:
        raise Http404
    return address


@require_http_methods(["GET", "POST"])
@needs(Permission.PLAN)
def calendars(request: Request) -> HttpResponse:
    """List the secret addresses, and make one: its secret is shown this once."""
    form = CalendarForm(request.POST or None, user=request.user)
    made, status = "", 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            row, secret = services.make(by=request.user, at=timezone.now(), **form.cleaned_data)
            made, status = request.build_absolute_uri(reverse(READ_AT[row.kind], args=[secret])), 200
            form = CalendarForm(user=request.user)
    rows = CalendarAddress.objects.for_user(request.user).select_related("line__plant", "made_by", "revoked_by")
    return render(request, "planning/calendars.html", {"form": form, "made": made, "rows": rows}, status=status)


@require_POST
@needs(Permission.PLAN)
def revoke(request: Request, pk: int) -> HttpResponse:
    """Close an address."""
    row = get_object_or_404(CalendarAddress.objects.for_user(request.user), pk=pk)
    services.revoke(by=request.user, at=timezone.now(), address=row)
    messages.success(request, f"Closed: {row}.")
    return redirect("planning:calendars")


@require_GET
@needs(Permission.PUBLIC)
def feed(request: Request, secret: str) -> HttpResponse:
    """Give the calendar of a line to whoever has its address; an unknown or closed one is not there."""
    address = _address(secret, CalendarAddress.Kind.CALENDAR)
    now = timezone.now()
    content = calendar_of(address.line, for_calendar(address.line, now))
    headers = {"Cache-Control": "private, max-age=900", "Content-Disposition": 'inline; filename="alignment.ics"'}
    return HttpResponse(content, content_type="text/calendar; charset=utf-8", headers=headers)


@require_GET
@needs(Permission.PUBLIC)
def display(request: Request, secret: str) -> HttpResponse:
    """Show how a line stands on a wall, to whoever has the address."""
    address = _address(secret, CalendarAddress.Kind.DISPLAY)
    shown = displays.read(address.line, timezone.now(), request.GET.get("look", ""))
    response = render(request, "planning/display.html", {"shown": shown})
    response["Cache-Control"] = "private, no-store"
    return response
