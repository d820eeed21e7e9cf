"""Events of the machines."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from linelog.plant.requests import Request
from linelog.production import listing
from linelog.production.forms import EventForm
from linelog.production.models import Event
from linelog.production.services import events
from linelog.production.views.counts import chosen_page, sent, tell
from linelog.web.errors import Refused
from linelog.web.permissions import Permission, needs


@needs(Permission.VIEW)
@require_GET
def recent(request: Request) -> HttpResponse:
    """List the events, latest first."""
    return chosen_page(request, listing.events, "production/events.html")


@needs(Permission.ENTER_COUNTS)
@require_http_methods(["GET", "POST"])
def add(request: Request) -> HttpResponse:
    """Note an event."""
    now = timezone.now()
    begun = {"machine": request.GET.get("machine")}
    form = EventForm(sent(request), user=request.user, now=now, initial=begun)
    if request.method == "POST" and form.is_valid():
        try:
            event = events.add(by=request.user, at=now, **form.cleaned_data)
        except Refused as refusal:
            tell(form, refusal)
        else:
            messages.success(request, f"Noted: {event}.")
            return redirect("production:events")
    status = 422 if request.method == "POST" else 200
    return render(request, "production/event.html", {"form": form}, status=status)


@needs(Permission.ENTER_COUNTS)
@require_POST
def take_out(request: Request, event_id: int) -> HttpResponse:
    """Take out an event that was noted in error."""
    event = get_object_or_404(Event.objects.for_user(request.user), pk=event_id)
    events.take_out(by=request.user, at=timezone.now(), event=event)
    messages.success(request, f"Taken out: {event}.")
    return redirect("production:events")
