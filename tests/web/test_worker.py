"""The worker gives a sign of life and takes up what an earlier one left half done."""

import datetime as dt

import pytest
from django.core.management import call_command
from django.db import InterfaceError, OperationalError
from django.utils import timezone
from django_tasks import task
from django_tasks_db.models import DBTaskResult

from linelog.web import health, jobs
from linelog.web.management.commands import worker
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


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("trouble", [OperationalError("gone"), InterfaceError("the connection is closed")])
@pytest.mark.parametrize("where", ["beat", "tasks"])
def test_a_worker_outlives_a_database_that_is_away(monkeypatch, caplog, trouble, where):
    monkeypatch.setitem(jobs._tasks, "count", count)
    monkeypatch.setattr(worker, "AGAIN_AFTER_S", 0.0)
    DONE.clear()
    job = jobs.create(kind="count", by=factories.person(), at=timezone.now())
    jobs.offer(job)
    failures = iter([trouble, trouble])

    def failing(then):
        def call(*args, **kwargs):
            if (now := next(failures, None)) is not None:
                raise now
            return then(*args, **kwargs)

        return call

    if where == "beat":
        monkeypatch.setattr(health, "beat", failing(health.beat))
    else:
        monkeypatch.setattr(DBTaskResult.objects, "ready", failing(DBTaskResult.objects.ready))
    call_command("worker", "--batch", "--no-startup-delay", "--interval=0", verbosity=0)
    assert [job.pk] == DONE
    assert caplog.text.count("tries again") == 2
