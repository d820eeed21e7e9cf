"""A shared tablet: one signed-in device, people who take it over with a PIN, and give it back by hand or by time.

The session of a shared tablet keeps who acts, a proof that their PIN is still the same, and when they were last
heard of. Taking over and handing over change the session's key, so that a request still under way with the old
one cannot bring the earlier person back.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any
from urllib.parse import urlencode, urlsplit

from django.contrib.auth.models import AnonymousUser
from django.contrib.sessions.backends.base import SessionBase
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import Resolver404, resolve, reverse
from django.utils.crypto import constant_time_compare, salted_hmac
from django.utils.http import url_has_allowed_host_and_scheme
from django_htmx.http import HttpResponseClientRedirect

from linelog.web import audit, backends
from linelog.web.models import Tablet
from linelog.web.permissions import Permission, may, permission_of

HOME = "/"  # the machines, where every role begins
TABLET, ACTING = "tablet", "acting"
SEEN_EVERY = timedelta(seconds=20)
# The tablet's own clock gives the device back on the minute; the server allows for what it writes down late.
SLACK = timedelta(seconds=30)


class Nobody(AnonymousUser):
    """A shared tablet to which nobody has given a PIN: it has a plant's clock and banner, and no rights."""

    on_device = True
    unit = "mm"
    plant_id = None

    def __init__(self, plant: Any) -> None:
        super().__init__()
        self.plant = plant


def apply(request: HttpRequest, now: datetime) -> None:
    """Put the acting person in the place of the signed-in account, and the account on `request.device`."""
    asked: Any = request
    asked.device, asked.tablet_id = request.user, None
    if TABLET not in request.session or not request.user.is_authenticated:
        return
    asked.tablet_id = request.session[TABLET]
    person = _acting_person(request, now)
    asked.user = person if person is not None else Nobody(asked.device.plant)


def waits_for_pin(request: HttpRequest) -> bool:
    """Say whether the device is shared and nobody has given a PIN."""
    return isinstance(request.user, Nobody)


def pin_url() -> str:
    """Where a person takes over the tablet."""
    return reverse("web:tablet")


def page_shown(request: HttpRequest) -> str:
    """Return the page that stands in the browser now, as a path; empty where that is not known."""
    details: Any = getattr(request, "htmx", None)
    if not details:
        return request.get_full_path() if request.method == "GET" else ""
    try:
        return urlsplit(details.current_url or "").path
    except ValueError:
        return ""


def send_to(request: HttpRequest, url: str) -> HttpResponse:
    """Redirect to a page that leads back to the one shown now; the whole page, also where a fragment was asked."""
    full = back_to(url, page_shown(request))
    return HttpResponseClientRedirect(full) if getattr(request, "htmx", False) else redirect(full)


def back_to(url: str, page: str) -> str:
    """Return `url` with the page to come back to."""
    return f"{url}?{urlencode({'next': page})}" if page else url


def landing(request: HttpRequest, person: Any, wanted: str) -> str:
    """Return the page asked for, if it is ours and the person may open it; else the first page."""
    if not url_has_allowed_host_and_scheme(wanted, allowed_hosts=None) or not wanted.startswith("/"):
        return HOME
    try:
        permission = permission_of(resolve(urlsplit(wanted).path).func) or Permission.ADMINISTER
    except Resolver404:
        return HOME
    return wanted if may(person, permission) else HOME


def make_shared(session: SessionBase, tablet: Tablet) -> None:
    """Turn the fresh session of a signed-in account into that of a shared tablet."""
    session[TABLET] = tablet.pk


def take_over(session: SessionBase, person: Any, now: datetime) -> None:
    """Make this person the one who acts on the tablet."""
    session.cycle_key()
    session[ACTING] = {"person": person.pk, "proof": proof(person), "seen": now.timestamp()}


def hand_over(session: SessionBase) -> None:
    """Give the tablet back to the PIN page."""
    session.pop(ACTING, None)
    session.cycle_key()


def still_proven(session: SessionBase, person: Any) -> None:
    """Keep the person acting after they changed their own PIN on this tablet."""
    kept = session.get(ACTING)
    if kept and kept["person"] == person.pk:
        session[ACTING] = {**kept, "proof": proof(person)}


def proof(person: Any) -> str:
    """Return a keyed fingerprint of the stored PIN, so that a changed or cleared PIN ends the take-over."""
    return salted_hmac("linelog.acting", person.pin_hash, algorithm="sha256").hexdigest()


def timeout(plant: Any) -> timedelta:
    """How long a tablet of this plant may lie idle."""
    return timedelta(minutes=max(1, plant.tablet_timeout_minutes))


def _may_act(person: Any, device: Any) -> bool:
    """Whether somebody may act on a tablet: there still, of its plant, and with a PIN."""
    return bool(person and person.is_active and person.plant_id == device.plant_id and person.pin_hash)


def _acting_person(request: HttpRequest, now: datetime) -> Any:
    kept = request.session.get(ACTING)
    if not kept:
        return None
    device: Any = request.user
    person: Any = backends.by_number(kept["person"])
    idle = now.timestamp() - kept["seen"]
    if not _may_act(person, device) or not constant_time_compare(kept["proof"], proof(person)):
        hand_over(request.session)
        return None
    if idle > (timeout(device.plant) + SLACK).total_seconds():
        hand_over(request.session)
        audit.record(by=person, action="tablet given back by time", obj=person, at=now)
        return None
    # What a page asks by itself (a progress bar) is no sign of a person.
    if idle >= SEEN_EVERY.total_seconds() and "X-Passive" not in request.headers:
        request.session[ACTING] = {**kept, "seen": now.timestamp()}
    return person
