"""What the worker does for uploads."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from django.utils import timezone
from django_tasks import task

from linelog.production.models import Upload
from linelog.production.services.uploads import READ, STORE
from linelog.production.tidy import tidy_uploads
from linelog.production.working import Tell, read_upload, store_upload
from linelog.web import jobs, nightly
from linelog.web.models import Job

Work = Callable[[Upload, Tell, datetime], str]


@task()
def read(job_id: int) -> None:
    """Read an uploaded file."""
    jobs.run(job_id, lambda tell: _do(job_id, tell, read_upload))


@task()
def store(job_id: int) -> None:
    """Store an uploaded file."""
    jobs.run(job_id, lambda tell: _do(job_id, tell, _store))


def _store(upload: Upload, tell: Tell, now: datetime) -> str:
    who = upload.job.started_by_id if upload.job else None
    return store_upload(upload, tell, now, by_id=who or upload.by_id)


def _do(job_id: int, tell: Tell, work: Work) -> str:
    upload = Upload.objects.select_related("plant", "by", "job").get(job_id=job_id)
    try:
        return work(upload, tell, timezone.now())
    except jobs.Stopped:
        # Stopped by somebody who cancelled it; where another worker took it over, it goes on.
        if Job.objects.filter(pk=job_id, cancel_wanted=True).exists():
            Upload.objects.filter(pk=upload.pk, job_id=job_id).update(state=Upload.State.CANCELLED)
        raise


jobs.register(READ, read)
jobs.register(STORE, store)
nightly.register("old uploads", tidy_uploads)
