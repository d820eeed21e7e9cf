"""A file of counts from the person's hand to the stored rows, one press at a time."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from django.core.files.base import File
from django.db import transaction
from django.urls import reverse

from linelog.plant.models import Plant
from linelog.production.models import Upload
from linelog.production.services.guard import check_may_count
from linelog.production.working import read_upload, rows_path, store_upload
from linelog.web import audit, jobs
from linelog.web.errors import Refused
from linelog.web.models import Job

READ, STORE = "read counts", "store counts"
SMALL_BYTES = 2_000_000
FEW_ROWS = 5_000
State = Upload.State


def receive(*, by: Any, at: dt.datetime, plant: Plant, file: File[bytes], limit_bytes: int) -> Upload:
    """Keep a file as it came and read it: at once where it is small, else by the worker. Stores no counts."""
    check_may_count(by)
    if file.size > limit_bytes:
        raise Refused(
            f"The file has {file.size / 1e6:.0f} MB; {limit_bytes / 1e6:.0f} MB is the most. Send it in parts.",
            field="file",
        )
    digest = hashlib.sha256()
    for block in file.chunks():
        digest.update(block)
    upload = Upload(plant=plant, by=by, at=at, name=_plain_name(file.name), sha256=digest.hexdigest(), size=file.size)
    upload.file.save(f"{upload.sha256[:16]}.counts", file, save=False)
    with transaction.atomic():
        upload.save()
        audit.record(by=by, action="sent counts", obj=upload, at=at, plant_id=plant.pk, after=audit.snapshot(upload))
    return _read(upload, by, at)


def read_again(*, by: Any, at: dt.datetime, upload: Upload, date_order: str = "") -> Upload:
    """Read a kept file again: with the answer to a question, after an interruption, or because names have changed."""
    check_may_count(by)
    if upload.is_half_stored and rows_path(upload).is_file():
        raise Refused("Half of this file is stored already: finish storing it.")
    if upload.state == State.STORED or works(upload, at):
        raise Refused("This file is being worked on, or is stored already.")
    rows_path(upload).unlink(missing_ok=True)
    with transaction.atomic(), _kept(upload, "read counts again", by, at):
        _move(upload, State.CHECKING, date_order=date_order or upload.date_order, job=None, sentence="", handled=0)
    return _read(upload, by, at)


def store(
    *, by: Any, at: dt.datetime, upload: Upload, without_bad: bool = False, odd_are_right: bool = False
) -> Upload:
    """Store the good rows of a file that was read, or finish storing them."""
    check_may_count(by)
    if upload.state not in {State.PREVIEWED, State.STORING, State.CANCELLED} or works(upload, at):
        raise Refused("This file cannot be stored as it stands: look at its page again.")
    _check_storable(upload, without_bad=without_bad, odd_are_right=odd_are_right)
    job = None
    with transaction.atomic(), _kept(upload, "stored counts", by, at):
        if upload.left_to_store > FEW_ROWS:
            job = _job(STORE, by, at, upload, total=upload.good_rows)
            jobs.offer(job)
        _move(upload, State.STORING, job=job)
    if job is None:
        store_upload(upload, _tell_nobody, at, by_id=by.pk)
        upload.refresh_from_db()
    return upload


def _check_storable(upload: Upload, *, without_bad: bool, odd_are_right: bool) -> None:
    if not rows_path(upload).is_file():
        raise Refused("What was read of this file is no longer there: read it again.")
    if upload.handled:
        return  # what is left was agreed to when storing began
    if not upload.new_rows and not upload.changed_rows:
        raise Refused("There is nothing in this file that is not stored already.")
    if upload.bad_rows and not without_bad:
        raise Refused("Say first that the bad rows are left out, or send the corrected file.", field="without_bad")
    if upload.odd_rows and not odd_are_right:
        raise Refused("Say first that more spoiled than good cans is right there.", field="odd_are_right")


def cancel(*, by: Any, at: dt.datetime, upload: Upload) -> Upload:
    """Stop reading or storing; what is stored stays, and the rest can be stored later."""
    check_may_count(by)
    if upload.state not in {State.CHECKING, State.STORING, State.QUESTION, State.PREVIEWED}:
        raise Refused("There is nothing to cancel here.")
    if upload.job is not None and not upload.job.is_over:
        jobs.cancel(job=upload.job, by=by, at=at)
        upload.job.refresh_from_db()
    if upload.job is None or upload.job.is_over:
        with transaction.atomic(), _kept(upload, "cancelled counts", by, at):
            _move(upload, State.CANCELLED)
    return upload


def _read(upload: Upload, by: Any, at: dt.datetime) -> Upload:
    if upload.size > SMALL_BYTES:
        with transaction.atomic():
            job = _job(READ, by, at, upload, total=1000)
            _move(upload, State.CHECKING, job=job)
            jobs.offer(job)
    else:
        read_upload(upload, _tell_nobody, at)
    upload.refresh_from_db()
    return upload


def _job(kind: str, by: Any, at: dt.datetime, upload: Upload, *, total: int) -> Job:
    page = reverse("production:upload", args=[upload.pk])
    return jobs.create(kind=kind, by=by, at=at, plant_id=upload.plant_id, total=total, page=page)


@contextmanager
def _kept(upload: Upload, action: str, by: Any, at: dt.datetime) -> Iterator[None]:
    """Write what the block does to the upload into the history."""
    before = audit.snapshot(upload)
    yield
    after = audit.snapshot(upload)
    audit.record(by=by, action=action, obj=upload, at=at, before=before, after=after, plant_id=upload.plant_id)


def _move(upload: Upload, to: str, **more: Any) -> None:
    """Move the upload on, unless somebody else moved it meanwhile."""
    as_it_was = Upload.objects.filter(pk=upload.pk, state=upload.state, job=upload.job, handled=upload.handled)
    if not as_it_was.update(state=to, **more):
        raise Refused("Somebody else is at this file: look at its page again.")
    upload.refresh_from_db()


def works(upload: Upload, now: dt.datetime) -> bool:
    """Whether a worker has this upload in hand."""
    job = upload.job
    if job is None or job.is_over:
        return False
    return job.heartbeat_at is None or now - job.heartbeat_at < jobs.STALE_AFTER


def _tell_nobody(done: int, *, total: int | None = None, message: str | None = None) -> None:
    """Short work has no progress to show."""


def _plain_name(name: str | None) -> str:
    clean = "".join(letter if letter.isprintable() else " " for letter in name or "").strip()
    return clean[-200:] or "counts"
