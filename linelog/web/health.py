"""Whether the program can do its work: its database, its background worker, room on the disk."""

from __future__ import annotations

import logging
import shutil
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from django.conf import settings
from django.db import DatabaseError, connection

from linelog.web.models import NightlyRun, WorkerBeat

log = logging.getLogger(__name__)

BEAT_EVERY = timedelta(seconds=15)
SILENT_AFTER = timedelta(seconds=60)
FORGET_AFTER = timedelta(days=1)
NIGHT_LATE_AFTER = timedelta(hours=36)
LEAST_FREE_BYTES = 500_000_000


@dataclass(frozen=True, slots=True)
class Check:
    """One part of the program: whether it works, in one word or short sentence."""

    ok: bool
    says: str


def database() -> Check:
    """Ask the database one thing."""
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
            cursor.fetchone()
    except DatabaseError:
        log.exception("the database does not answer")
        return Check(False, "does not answer")
    return Check(True, "answers")


def worker(now: datetime) -> Check:
    """Look for a worker's sign of life."""
    try:
        last = WorkerBeat.objects.order_by("-at").values_list("at", flat=True).first()
    except DatabaseError:
        return Check(False, "unknown: the database does not answer")
    if last is None or now - last > SILENT_AFTER:
        return Check(False, "no sign of life")
    return Check(True, "alive")


def night(now: datetime) -> Check:
    """Look when every plant last had its night's work; a plant that waits for its first night is well."""
    try:
        runs = list(NightlyRun.objects.values_list("plant_id", "offered_at", "ended_at"))
    except DatabaseError:
        return Check(False, "unknown: the database does not answer")
    if not runs:
        return Check(True, "has not run yet")
    ended = [end for _, _, end in runs if end is not None]
    says = f"last run {max(ended):%Y-%m-%dT%H:%MZ}" if ended else "has not run to its end yet"
    well = all(
        now - max([end for one, _, end in runs if one == plant and end is not None] or [_first(runs, plant)])
        <= NIGHT_LATE_AFTER
        for plant in {plant for plant, *_ in runs}
    )
    return Check(well, says if well else f"late: {says}")


def _first(runs: list[tuple[int, datetime, datetime | None]], plant: int) -> datetime:
    return min(offered for one, offered, _ in runs if one == plant)


def disk(folder: Path | None = None) -> Check:
    """Look whether the data folder has room for more."""
    try:
        free = shutil.disk_usage(folder or settings.DATA_DIR).free
    except OSError:
        return Check(False, "the data folder cannot be read")
    return Check(free >= LEAST_FREE_BYTES, f"{free // 1_000_000} MB free")


def beat(*, name: str, at: datetime) -> None:
    """Give a worker's sign of life, and forget workers long gone."""
    WorkerBeat.objects.update_or_create(name=name, defaults={"at": at})
    WorkerBeat.objects.filter(at__lt=at - FORGET_AFTER).delete()
