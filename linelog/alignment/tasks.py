"""What the worker does for the log."""

from __future__ import annotations

from django_tasks import task

from linelog.alignment.captures.working import work_out
from linelog.alignment.models import Capture
from linelog.alignment.services.captures import WORK_OUT
from linelog.web import jobs
from linelog.web.models import Job


@task()
def capture(job_id: int) -> None:
    """Work a running capture out."""
    jobs.run(job_id, lambda tell: _work_out(job_id, tell))


def _work_out(job_id: int, tell: jobs.Reporter) -> str:
    mine = Capture.objects.get(job_id=job_id)
    try:
        return work_out(mine, tell, tell.run.rows().exists)
    except jobs.Stopped:
        # Stopped by somebody who cancelled it; where another worker took it over, it goes on.
        if Job.objects.filter(pk=job_id, cancel_wanted=True).exists():
            rows = Capture.objects.filter(pk=mine.pk, job_id=job_id, state=Capture.State.WORKING)
            rows.update(state=Capture.State.CANCELLED)
        raise


jobs.register(WORK_OUT, capture)
