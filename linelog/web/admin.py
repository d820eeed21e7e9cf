"""The administrator's own tables: what others' admin pages build on, and the records that every page shares."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.db import models
from django.db.models import Model, QuerySet
from django.http import HttpRequest
from django.utils import timezone

from linelog.web import audit
from linelog.web.forms import TextLine
from linelog.web.generic import ModelAdmin
from linelog.web.models import AuditEvent, Job, Tablet, WorkerBeat


class LookOnly(ModelAdmin):
    """Records to look at: the program writes them, nobody changes them by hand."""

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Nobody adds."""
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Nobody changes."""
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Nobody deletes."""
        return False


class Kept(ModelAdmin):
    """Set-up records that the administrator may mend; each change goes into the history like any other."""

    formfield_overrides = {models.CharField: {"form_class": TextLine}}
    plant_path = ""  # where the model does not say itself how a row reaches its plant

    def get_exclude(self, request: HttpRequest, obj: Any = None) -> Any:
        """Leave the version to the program."""
        return ["version"]

    def save_model(self, request: HttpRequest, obj: Model, form: Any, change: bool) -> None:
        """Store it with its history, under a new version so that a form open elsewhere is told."""
        before = audit.snapshot(type(obj)._default_manager.get(pk=obj.pk)) if change else None
        if change and hasattr(obj, "version"):
            obj.version += 1
        super().save_model(request, obj, form, change)
        self._record(request, "changed" if change else "added", obj, before, audit.snapshot(obj))

    def delete_model(self, request: HttpRequest, obj: Model) -> None:
        """Delete it, and keep what it was."""
        self._record(request, "deleted", obj, audit.snapshot(obj), None)
        super().delete_model(request, obj)

    def delete_queryset(self, request: HttpRequest, queryset: QuerySet[Any]) -> None:
        """Delete several, one by one, each with its history."""
        for obj in queryset:
            self.delete_model(request, obj)

    def plant_id(self, obj: Any) -> int | None:
        """Return the plant in whose history the change stands."""
        path = self.plant_path or obj.plant_path
        found: int | None = type(obj).objects.filter(pk=obj.pk).values_list(path, flat=True).first()
        return found

    def _record(self, request: HttpRequest, action: str, obj: Any, before: Any, after: Any) -> None:
        audit.record(
            by=request.user,
            action=action,
            obj=obj,
            at=timezone.now(),
            before=before,
            after=after,
            plant_id=self.plant_id(obj),
        )


@admin.register(AuditEvent)
class AuditEventAdmin(LookOnly):
    """The history."""

    list_display = ["at", "actor_name", "action", "object_type", "object_id", "object_label"]
    list_filter = ["action", "object_type"]
    search_fields = ["actor_name", "object_label", "object_id", "request_id"]
    date_hierarchy = "at"
    show_full_result_count = False


@admin.register(Job)
class JobAdmin(LookOnly):
    """Background work."""

    list_display = ["pk", "kind", "state", "attempts", "done", "total", "heartbeat_at", "started_by_name"]
    list_filter = ["state", "kind"]


@admin.register(Tablet)
class TabletAdmin(LookOnly):
    """Devices that were signed in to be shared."""

    list_display = ["pk", "plant_id", "account_id", "signed_in_at", "failures", "locked_until"]


@admin.register(WorkerBeat)
class WorkerBeatAdmin(LookOnly):
    """Signs of life of the background workers."""

    list_display = ["name", "at"]
