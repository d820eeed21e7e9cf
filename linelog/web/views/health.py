"""What a monitor and a robot may ask."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from linelog.web import health as checks
from linelog.web.permissions import Permission, needs


@needs(Permission.PUBLIC)
@never_cache
@require_safe
def health(request: HttpRequest) -> HttpResponse:
    """Answer 200 where every part is well, else 503, with each part's state as JSON."""
    now = timezone.now()
    parts = {
        "database": checks.database(),
        "worker": checks.worker(now),
        "disk": checks.disk(),
        "nightly": checks.night(now),
    }
    well = all(part.ok for part in parts.values())
    answer = {"ok": well, **{name: {"ok": part.ok, "says": part.says} for name, part in parts.items()}}
    return JsonResponse(answer, status=200 if well else 503)


@needs(Permission.PUBLIC)
@require_safe
def robots(request: HttpRequest) -> HttpResponse:
    """Ask search engines to keep out."""
    return HttpResponse("User-agent: *\nDisallow: /\n", content_type="text/plain")
