"""What a tablet needs to work on without a connection: its worker, its page for that time, who it speaks for."""

from __future__ import annotations

from django.contrib.staticfiles.storage import staticfiles_storage
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.template.loader import render_to_string
from django.templatetags.static import static
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from linelog.web.permissions import Permission, needs


@needs(Permission.PUBLIC)
@never_cache
@require_safe
def service_worker(request: HttpRequest) -> HttpResponse:
    """Answer with the worker, here at the root so that it may serve every page.

    It carries the mark of the release, the digest of all static files: a new one makes the browser take the new
    worker, which begins with empty stores.
    """
    release = getattr(staticfiles_storage, "manifest_hash", "") or "unmarked"
    script = f'"use strict";\nself.RELEASE = "{release}";\nimportScripts("{static("web/worker.js")}");\n'
    return HttpResponse(script, content_type="text/javascript; charset=utf-8")


@needs(Permission.PUBLIC)
@never_cache
@require_safe
def no_connection(request: HttpRequest) -> HttpResponse:
    """Show the page that stands in for one the tablet has not kept; it asks nothing of the request."""
    return HttpResponse(render_to_string("web/offline.html"))


@needs(Permission.PUBLIC)
@never_cache
@require_safe
def who(request: HttpRequest) -> HttpResponse:
    """Say for whom this browser speaks now, with a fresh token for what it has kept to send."""
    return JsonResponse({"person": str(request.user.pk or ""), "token": get_token(request)})
