"""The site of the administrator's own tables."""

from __future__ import annotations

from typing import Any

from django.contrib.admin import AdminSite
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect


class Tables(AdminSite):
    """The framework's site under our name; one's password is changed where that goes into the history."""

    site_header = site_title = "Alignment logbook: tables"
    site_url = "/"

    # The stubs allow the framework's own page alone; the framework takes any answer.
    def password_change(  # type: ignore[override]
        self, request: HttpRequest, extra_context: dict[str, Any] | None = None
    ) -> HttpResponse:
        """Lead to one's own page."""
        return redirect("people:me")
