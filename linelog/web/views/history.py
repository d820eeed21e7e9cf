"""The history page."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET

from linelog.web import history, units
from linelog.web.forms import HistoryForm
from linelog.web.permissions import Permission, needs


@needs(Permission.HISTORY)
@require_GET
def events(request: HttpRequest) -> HttpResponse:
    """List who did what, newest first; by person, record and days."""
    form = HistoryForm(request.GET)
    if not form.is_valid():
        return render(request, "web/history.html", {"form": form, "rows": []}, status=422)
    asked = form.cleaned_data
    wanted = history.found(
        history.for_user(request.user),
        person=asked["person"],
        record=asked["object"],
        first=asked["first"],
        last=asked["last"],
        zone=timezone.get_current_timezone(),
    )
    page = history.page_number(request.GET.get("page", ""))
    rows, more = history.page_of(wanted, page, units.of(request.user), timezone.get_current_timezone())
    shown = {"form": form, "rows": rows, "page": page, "more": more, "newer": page - 1, "older": page + 1}
    return render(request, "web/history.html", shown)
