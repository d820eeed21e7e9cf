"""What the program does by itself every night, for each plant at the plant's own time.

An app registers its part where its tasks live; the worker's heartbeat offers one job a plant and night, whoever of
several workers comes first; a night that was slept through is caught up with. Nothing here touches a signed record.

    nightly.register("old uploads", tidy_uploads)

    def tidy_uploads(plant: Any, now: datetime, tell: Tell) -> str:
        return "3 files"
"""

from __future__ import annotations

import logging
import zoneinfo
from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

from django.apps import apps
from django.db import IntegrityError, transaction
from django.utils import timezone
from django_tasks import task

from linelog.web import audit, jobs
from linelog.web.errors import Refused
from linelog.web.models import Job, NightlyRun

log = logging.getLogger(__name__)

KIND = "nightly work"
Tell = Callable[..., None]
Part = Callable[[Any, datetime, Tell], str]
_parts: dict[str, Part] = {}


def register(name: str, part: Part) -> None:
    """Have a part done every night, in the order of registration; it returns what it did in a few words."""
    _parts[name] = part


def plants() -> list[Any]:
    """Return the plants with what they have set."""
    return list(apps.get_model("plant", "Plant")._default_manager.order_by("pk"))


def night_of(plant: Any, now: datetime) -> date:
    """Return the day on which the plant's last night began to be worked: yesterday's until its time has come."""
    local = now.astimezone(zoneinfo.ZoneInfo(plant.timezone))
    return local.date() if local.time() >= plant.nightly_at else local.date() - timedelta(days=1)


def offer_due(now: datetime) -> list[int]:
    """Offer the night's work of every plant that has not had it; return the plants."""
    offered = []
    runs = set(NightlyRun.objects.values_list("plant_id", "night"))
    known = {plant_id for plant_id, _ in runs}
    for plant in plants():
        night = night_of(plant, now)
        if (plant.pk, night) not in runs and _begin(plant, night, now, is_new=plant.pk not in known):
            offered.append(plant.pk)
    return offered


def _begin(plant: Any, night: date, now: datetime, *, is_new: bool) -> bool:
    """Offer one night's work, for a new plant from the next night on; False where another worker was quicker."""
    try:
        with transaction.atomic():
            job = None if is_new else jobs.create(kind=KIND, by=None, at=now, plant_id=plant.pk)
            NightlyRun.objects.create(
                plant_id=plant.pk, night=night, job_id=job.pk if job is not None else 0, offered_at=now
            )
            if job is not None:
                jobs.offer(job)
    except IntegrityError:
        return False
    return not is_new


def work(plant: Any, job_id: int, now: datetime, tell: Tell) -> str:
    """Do every part; one that breaks is logged and named, and the others are done all the same."""
    did, broke = {}, []
    for name, part in _parts.items():
        try:
            did[name] = part(plant, now, tell)
        except jobs.Stopped:
            raise
        except Exception:  # whatever broke in one part, the others are done
            log.exception("%s of the night broke for plant %s", name, plant.pk)
            broke.append(name)
    with transaction.atomic():
        audit.record(by=None, action="did the nightly work", obj=plant, at=now, after=did, plant_id=plant.pk)
        if not broke:
            NightlyRun.objects.filter(job_id=job_id).update(ended_at=now)
    if broke:
        raise Refused(f"Not everything of the night was done; it broke in: {', '.join(broke)}.")
    return "; ".join(f"{name}: {what}" for name, what in did.items())


@task(priority=-20)  # whatever somebody waits for goes first
def nightly(job_id: int) -> None:
    """Work the night of a plant."""

    def act(tell: jobs.Reporter) -> str:
        plant = next(one for one in plants() if one.pk == Job.objects.get(pk=job_id).plant_id)
        return work(plant, job_id, timezone.now(), tell)

    jobs.run(job_id, act)


jobs.register(KIND, nightly)
