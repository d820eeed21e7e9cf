"""What nobody needs any more, by the plant's periods: never a record, never its history."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from axes.models import AccessAttempt, AccessFailureLog, AccessLog
from django.apps import apps
from django.contrib.auth import get_user_model
from django.contrib.sessions.models import Session
from django.db.models import Q
from django_tasks_db.models import DBTaskResult

from linelog.web import nightly
from linelog.web.models import Job, NightlyRun, PinTries, WriteKey


def tidy(plant: Any, now: datetime, tell: nightly.Tell) -> str:
    """Take away what is over: sessions, keys of writes, results of tasks, finished jobs, the log of sign-ins."""
    over = now - timedelta(days=plant.keep_working_days)
    whose = get_user_model().objects.filter(Q(plant_id=plant.pk) | Q(plant_id__isnull=True)).values("pk")
    gone = {
        "sessions": Session.objects.filter(expire_date__lt=now),
        "keys of writes": WriteKey.objects.filter(at__lt=over, actor_id__in=whose),
        "results of tasks": DBTaskResult.objects.filter(finished_at__lt=now - _longest("keep_working_days")),
        "finished jobs": _unneeded_jobs(plant, over),
        "tries at PINs": PinTries.objects.filter(failed_at__lt=over),
        "nights": NightlyRun.objects.filter(plant_id=plant.pk, ended_at__lt=over),
        **_sign_ins(now - _longest("keep_sign_ins_days")),
    }
    counts = {name: rows.delete()[0] for name, rows in gone.items()}
    return ", ".join(f"{count} {name}" for name, count in counts.items() if count) or "nothing"


def _longest(field: str) -> timedelta:
    """Return the longest period of all plants: what belongs to none of them is kept for whoever keeps longest."""
    return timedelta(days=max((getattr(plant, field) for plant in nightly.plants()), default=3650))


def _sign_ins(over: datetime) -> dict[str, Any]:
    models = (AccessAttempt, AccessFailureLog, AccessLog)
    return {f"sign-ins ({m._meta.verbose_name})": m.objects.filter(attempt_time__lt=over) for m in models}


def _unneeded_jobs(plant: Any, over: datetime) -> Any:
    """Return the finished jobs that no record speaks of: a signed one would have to change."""
    rows: Any = Job.objects.filter(plant_id=plant.pk, ended_at__lt=over)
    for model in apps.get_models():
        for field in model._meta.concrete_fields:
            if field.is_relation and field.related_model is Job:
                named = model._default_manager.filter(**{f"{field.name}__isnull": False})
                rows = rows.exclude(pk__in=named.values(field.name))
    return rows


nightly.register("tidied up", tidy)
