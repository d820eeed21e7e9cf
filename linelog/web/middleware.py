"""What happens round every request: its id, who acts, whether they may, the plant's clock, plain errors."""

from __future__ import annotations

import logging
import zoneinfo
from collections.abc import Callable
from typing import Any, cast

from django.conf import settings
from django.contrib.auth import BACKEND_SESSION_KEY, SESSION_KEY
from django.contrib.auth.middleware import AuthenticationMiddleware, get_user
from django.http import HttpRequest, HttpResponse, StreamingHttpResponse
from django.shortcuts import resolve_url
from django.urls import Resolver404, resolve
from django.utils import timezone

from linelog.web import acting, backends, errors, made_for, nightly, requestid
from linelog.web.permissions import Permission, may, permission_of
from linelog.web.requests import Request

log = logging.getLogger(__name__)
GetResponse = Callable[[HttpRequest], HttpResponse]
# Nothing here asks the browser for any of these; a photo comes through the tablet's own file chooser.
NO_DEVICES = "camera=(), microphone=(), geolocation=(), usb=(), serial=(), payment=(), display-capture=()"
METHODS = frozenset({"GET", "HEAD", "POST"})  # what any address may take; each view says which of them it does
MOST_DIGITS = 15  # of a length; of some thousand digits no number can be made at all
REST_OF_A_FORM = 10_000_000  # a file a little too large still gets its sentence beside the field


class RequestId:
    """Give each request an id, in its log lines, its history and its answer."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Set the id for the time of the request."""
        token = requestid.current.set(requestid.new())
        # Django logs a refusal once every middleware is done: the line finds the id on the request.
        cast(Request, request).request_id = requestid.current.get()
        try:
            response = self.get_response(request)
            response["X-Request-Id"] = requestid.current.get()
            response["Cross-Origin-Resource-Policy"] = "same-origin"
            response["Permissions-Policy"] = NO_DEVICES
            return response
        finally:
            requestid.current.reset(token)


class HeadLikeGet:
    """Answer HEAD wherever GET is answered: the same, without its body (RFC 9110, 9.3.2)."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Ask as GET, then leave the body out."""
        if request.method != "HEAD":
            return self.get_response(request)
        request.method = "GET"
        try:
            response = self.get_response(request)
        finally:
            request.method = "HEAD"
        if isinstance(response, StreamingHttpResponse):
            response.streaming_content = ()  # its file is closed with the response
        else:
            response.headers.setdefault("Content-Length", str(len(response.content)))
            response.content = b""
        return response


class HealthByAddress:
    """Let a monitor ask for the health by the server's address, which is no name of this site."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Put a name of ours in the place of whatever it asked by; the answer names nothing of either."""
        if request.path_info == "/health":
            names = [name.lstrip(".") for name in settings.ALLOWED_HOSTS if name != "*"]
            request.META["HTTP_HOST"] = (names or ["localhost"])[0]
            request.META.pop("HTTP_X_FORWARDED_HOST", None)
        return self.get_response(request)


class SignedIn(AuthenticationMiddleware):
    """Say who is signed in on the device, as Django does; a session from before goes on under today's backend."""

    def __call__(self, request: HttpRequest) -> Any:
        """Read the account of a shared tablet together with who acts on it."""
        device, kept = request.session.get(SESSION_KEY), request.session.get(acting.ACTING)
        if not (device and kept):
            return super().__call__(request)
        with backends.read_together(int(device), kept["person"]):
            return super().__call__(request)

    def process_request(self, request: HttpRequest) -> None:
        """Put the account on the request: itself, since everybody asks, and each question to a proxy costs."""
        if request.session.get(BACKEND_SESSION_KEY) == backends.EARLIER:
            request.session[BACKEND_SESSION_KEY] = backends.NAME
        super().process_request(request)
        request.user = get_user(request)


class ActingPerson:
    """On a shared tablet, put the person who gave the PIN in the place of the signed-in account."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Resolve who acts in this request; keep what a person saw out of the browser's stores."""
        acting.apply(request, timezone.now())
        cast(Request, request).person_id = request.user.pk
        response = self.get_response(request)
        if may(request.user, Permission.SIGNED_IN) and not response.has_header("Cache-Control"):
            response["Cache-Control"] = "no-store, private"
        return response


class BodySize:
    """Refuse what is far too large before a byte of it is kept; from whom nobody knows, all but a small form."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Compare what the browser says it sends: without a length the server hands on nothing."""
        length = request.META.get("CONTENT_LENGTH", "")
        is_too_long = len(length) > MOST_DIGITS
        # What the smallest limit lets pass needs no look at which view it is for.
        if length.isdecimal() and (is_too_long or int(length) > settings.DATA_UPLOAD_MAX_MEMORY_SIZE):
            limit = _limit_of(request)
            if is_too_long or int(length) > limit:
                return errors.too_large(request, limit)
        return self.get_response(request)


def _limit_of(request: HttpRequest) -> int:
    """Return the most bytes this person may send to this address: a view may name a limit of its own."""
    smallest: int = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
    if not may(request.user, Permission.VIEW):
        return smallest
    try:
        view = resolve(request.path_info).func
    except Resolver404:
        return smallest
    limit: int = getattr(settings, getattr(view, "body_limit", "UPLOAD_LIMIT_BYTES"))
    return limit + REST_OF_A_FORM


class Access:
    """Refuse by default: a view must name its permission, and the person must have it."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Pass the request on; the check needs the view and happens in process_view."""
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: Callable[..., Any], args: Any, kwargs: Any
    ) -> HttpResponse | None:
        """Answer with sign-in, the PIN page or 403 where the person may not see the view."""
        if request.method not in METHODS:
            return errors.wrong_method(request, "GET, POST")
        permission = permission_of(view)
        if permission is None and request.path.startswith("/admin/"):
            permission = Permission.ADMINISTER
        if permission is None:
            log.error("view %r names no permission", view)
            return errors.forbidden(request)
        conflict = made_for.trouble(request, view)
        if conflict is None and may(request.user, permission):
            conflict = made_for.silence(request, view)
            return made_for.refused(request, conflict) if conflict else None
        if conflict is not None:
            return made_for.refused(request, conflict)
        if acting.waits_for_pin(request):
            return acting.send_to(request, acting.pin_url())
        if not request.user.is_authenticated:
            return acting.send_to(request, resolve_url(settings.LOGIN_URL))
        return errors.forbidden(request)


class PlantTime:
    """Show times in the plant's own zone."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Activate the zone for the time of the request."""
        user = request.user
        plant = getattr(user, "plant", None) or (_only_plant() if user.is_authenticated else None)
        zone = zoneinfo.ZoneInfo(plant.timezone) if plant else None
        with timezone.override(zone):
            return self.get_response(request)


def _only_plant() -> Any:
    """Return the plant of a server that has one alone: its time is that of an administrator without a plant."""
    plants = nightly.plants()
    return plants[0] if len(plants) == 1 else None


class PlainErrors:
    """Turn a refusal that no view caught into its page, with its own status."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Pass the request on; give the bare answer to a wrong method its page."""
        response = self.get_response(request)
        if response.status_code == 405 and not response.content:
            return errors.wrong_method(request, response["Allow"])
        return response

    def process_view(self, request: HttpRequest, view: Any, args: Any, kwargs: Any) -> HttpResponse | None:
        """Say what befell a file on its way in, before the form calls it missing."""
        if request.content_type == "multipart/form-data":
            _ = request.FILES  # read now: only then is it known
        trouble = getattr(request, "upload_trouble", None)
        return errors.refused_page(request, trouble) if trouble else None

    def process_exception(self, request: HttpRequest, exception: Exception) -> HttpResponse | None:
        """Answer a refusal and a full disk; leave everything else to Django."""
        if errors.is_disk_full(exception):
            log.error("the disk is full", exc_info=exception)
            exception = errors.DiskFull()
        if isinstance(exception, errors.Refused):
            return errors.refused_page(request, exception)
        return None
