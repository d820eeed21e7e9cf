"""The administrator may mend causes and events; counts change by upload and form, which keep the sums right."""

from __future__ import annotations

from django.contrib import admin

from linelog.production.models import (
    CountChange,
    DayCount,
    Event,
    Finding,
    FindingPhoto,
    ShiftCount,
    SpoilageCause,
    Upload,
    WallSample,
)
from linelog.web.admin import Kept, LookOnly

admin.site.register([SpoilageCause, Event], Kept)


@admin.register(ShiftCount)
class ShiftCountAdmin(LookOnly):
    """Counts of the shifts."""

    list_display = ["day", "machine", "shift", "cans", "spoiled", "tear_offs", "short_cans", "jams", "minutes_down"]
    list_filter = ["machine__line"]
    list_select_related = ["machine", "shift"]
    show_full_result_count = False


@admin.register(Upload)
class UploadAdmin(LookOnly):
    """Files of counts."""

    list_display = ["at", "name", "plant", "by", "state", "rows", "bad_rows"]
    list_filter = ["state", "plant"]


@admin.register(WallSample)
class WallSampleAdmin(LookOnly):
    """Wall samples."""

    list_display = ["taken_at", "machine", "can", "tooling_set", "by", "at"]
    list_filter = ["machine__line"]
    list_select_related = ["machine", "tooling_set", "by"]
    show_full_result_count = False


@admin.register(DayCount, CountChange)
class SumAdmin(LookOnly):
    """What is derived from the counts, or was replaced."""

    show_full_result_count = False


@admin.register(Finding, FindingPhoto)
class FindingAdmin(LookOnly):
    """Findings and their photos, which change on their own pages."""
