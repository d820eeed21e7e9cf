"""The worker gives a sign of life and takes up what an earlier one left half done."""

import datetime as dt

import pytest
from django.core.management import call_command
from django.utils import timezone
from django_tasks import task

from linelog.web import health, jobs
from linelog.web.models import Job
from tests import factories

DONE = []


@task()
def count(job_id: int) -> None:
    jobs.run(job_id, lambda tell: DONE.append(job_id) or "Counted.")


@pytest.mark.django_db(transaction=True)
def test_a_worker_beats_does_what_waits_and_what_stopped_on_the_way(monkeypatch):
    monkeypatch.setitem(jobs._tasks, "count", count)
    DONE.clear()
    now = timezone.now()
    by = factories.person()
    waiting, stopped = (jobs.create(kind="count", by=by, at=now - dt.timedelta(hours=1)) for _ in range(2))
    jobs.offer(waiting)
    jobs.start(job_id=stopped.pk, at=now - dt.timedelta(minutes=10))
    call_command("worker", "--batch", "--no-startup-delay", "--interval=0", verbosity=0)
    assert sorted(DONE) == [waiting.pk, stopped.pk]
    assert set(Job.objects.values_list("state", "message")) == {("done", "Counted.")}
    assert health.worker(timezone.now()).ok
