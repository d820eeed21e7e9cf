"""A shared tablet changes hands: choose a name, give the PIN, hand over."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from linelog.web import acting, made_for, pins, signins
from linelog.web.errors import Refused
from linelog.web.forms import PinForm
from linelog.web.made_for import changes_hands
from linelog.web.permissions import Permission, needs


@needs(Permission.SIGNED_IN)
@never_cache
@require_GET
def names(request: HttpRequest) -> HttpResponse:
    """Show who can take the tablet over."""
    asked: Any = request
    if asked.tablet_id is None:
        return redirect(acting.HOME)
    page = {"people": pins.takers(asked.device), "next": request.GET.get("next", "")}
    return render(request, "web/tablet.html", page)


@needs(Permission.SIGNED_IN)
@changes_hands
@sensitive_post_parameters("pin")
@never_cache
@require_http_methods(["GET", "POST"])
def take_over(request: HttpRequest, person_id: int) -> HttpResponse:
    """Ask for the PIN of the chosen person, and let them act on this tablet."""
    asked: Any = request
    if asked.tablet_id is None:
        return redirect(acting.HOME)
    chosen = get_object_or_404(pins.takers(asked.device), pk=person_id)
    form, status = PinForm(request.POST if request.method == "POST" else None), 200
    wanted = request.POST.get("next") or request.GET.get("next") or ""
    if request.method == "POST":
        try:
            person = _proven(asked, chosen, form)
        except Refused as refusal:
            status = refusal.status
        else:
            return redirect(acting.landing(request, person, wanted))
    page = {"form": form, "chosen": chosen, "next": wanted}
    return render(request, "web/pin.html", page, status=status)


def _proven(asked: Any, chosen: Any, form: PinForm) -> Any:
    """Return the person whose PIN this is, now acting on the tablet; the form keeps what was wrong."""
    if not form.is_valid():
        raise Refused("The PIN is not whole.")
    now, pin = timezone.now(), form.cleaned_data["pin"]
    try:
        person = pins.take_over(device=asked.device, tablet_id=asked.tablet_id, person_id=chosen.pk, pin=pin, at=now)
    except Refused as refusal:
        form.add_error("pin", refusal.message)
        raise
    acting.take_over(asked.session, person, now)
    return person


@needs(Permission.SIGNED_IN)
@changes_hands
@require_POST
def hand_over(request: HttpRequest) -> HttpResponse:
    """Give the tablet back to the PIN page; by time, it comes back to the page it showed."""
    asked: Any = request
    if asked.tablet_id is None:
        return redirect(acting.HOME)
    by_time = request.POST.get("why") == "time"
    if request.user.is_authenticated and made_for.claimed(request) - {made_for.mark_of(request.user)}:
        return redirect(acting.HOME)  # a page left open by the one before: the tablet is somebody else's by now
    if not acting.waits_for_pin(request):
        signins.handed_over(person=request.user, by_time=by_time, at=timezone.now())
    acting.hand_over(request.session)
    return redirect(acting.back_to(acting.pin_url(), request.POST.get("next", "") if by_time else ""))


@needs(Permission.VIEW)
@require_POST
def still_here(request: HttpRequest) -> HttpResponse:
    """Hear from a person who touches the screen without sending anything."""
    return HttpResponse(status=204)
