"""The site of the administrator's own tables."""

from __future__ import annotations

from typing import Any

from django.contrib.admin import AdminSite
from django.urls import path
from django.views.generic import RedirectView


class Tables(AdminSite):
    """The framework's site under our name; one's password is changed where that goes into the history."""

    site_header = site_title = "Alignment logbook: tables"
    site_url = "/"

    def get_urls(self) -> list[Any]:
        """Lead to one's own page before the framework's page of a password is found."""
        own = self.admin_view(RedirectView.as_view(pattern_name="people:me"))
        return [path("password_change/", own, name="password_change"), *super().get_urls()]
