"""The administrator may look at the log, not touch it: what is signed stays, and mending is an amendment."""

from __future__ import annotations

from django.contrib import admin

from linelog.alignment.models import (
    Amendment,
    Capture,
    CaptureLimit,
    CaptureValue,
    MoveMade,
    Photo,
    Probe,
    ProbeSetup,
    Reading,
    Result,
    RunningReading,
    StationNote,
    Sweep,
    Visit,
)
from linelog.web.admin import LookOnly


@admin.register(Visit)
class VisitAdmin(LookOnly):
    """Visits."""

    list_display = ["opened_at", "machine", "reason", "state", "opened_by", "signed_by", "signed_at"]
    list_filter = ["state", "reason", "machine__line"]
    list_select_related = ["machine", "opened_by", "signed_by"]
    date_hierarchy = "opened_at"


@admin.register(Result)
class ResultAdmin(LookOnly):
    """What the readings came to."""

    list_display = ["at", "visit", "station", "stage", "method", "x_um", "y_um", "expanded_um", "verdict"]
    list_filter = ["verdict", "stage", "method"]
    list_select_related = ["visit__machine", "station"]


@admin.register(Reading)
class ReadingAdmin(LookOnly):
    """Readings as typed."""

    list_display = ["at", "sweep", "repeat", "angle_deg", "is_return", "typed", "unit", "value_um", "by"]
    list_select_related = ["sweep__station", "by"]


@admin.register(Capture)
class CaptureAdmin(LookOnly):
    """Running captures."""

    list_display = ["recorded_at", "machine", "name", "state", "visit", "by", "sha256"]
    list_filter = ["state", "machine__line"]
    list_select_related = ["machine", "visit__machine", "by"]


admin.site.register([Sweep, StationNote, MoveMade, Photo, Amendment, RunningReading], LookOnly)
admin.site.register([ProbeSetup, Probe, CaptureLimit, CaptureValue], LookOnly)
