"""The evidence never freezes: whatever happens to a job, the notes that are left are worked out by a later one."""

import datetime as dt
import threading

import pytest
from django.db import OperationalError, connection, transaction
from django_tasks_db.models import DBTaskResult

from linelog.trends import refit, summaries
from linelog.trends.models import Stale
from linelog.trends.tasks import refresh
from linelog.web import followers, jobs, nightly
from linelog.web.management.commands import worker
from linelog.web.models import Job
from tests import factories

NOW = factories.NOW


@pytest.fixture(autouse=True)
def _no_models(monkeypatch):
    monkeypatch.setattr(refit, "REFITS", {})


def later(minutes):
    return NOW + dt.timedelta(minutes=minutes)


def change(machine, at=NOW):
    refit.mark_stale(followers.Change(followers.COUNTS, machine.line.plant_id, frozenset([machine.pk]), at))


def states():
    return list(Job.objects.filter(kind=refit.KIND).order_by("pk").values_list("state", flat=True))


@pytest.mark.postgresql_only  # SQLite has one writer at a time: there the worker starts after the commit
@pytest.mark.django_db(transaction=True)
def test_a_change_committed_after_the_job_has_looked_is_worked_out_by_a_later_one():
    machine = factories.machine()
    refit.offer(machine.line.plant_id, NOW)  # one waits, so the change offers none
    changed, may_commit = threading.Event(), threading.Event()

    def changes():
        try:
            with transaction.atomic():
                change(machine)
                changed.set()
                assert may_commit.wait(30)
        finally:
            connection.close()

    other = threading.Thread(target=changes)
    other.start()
    assert changed.wait(30)
    refresh.call(Job.objects.get().pk)
    may_commit.set()
    other.join()
    assert states() == ["done"]
    assert Stale.objects.count() == 1
    jobs.look(now=later(3))
    jobs.look(now=later(3))
    assert states() == ["done", "waiting"]
    refresh.call(Job.objects.latest("pk").pk)
    assert states() == ["done", "done"]
    assert not Stale.objects.exists()


@pytest.mark.django_db
@pytest.mark.parametrize("ended", ["failed", "cancelled"])
def test_what_a_job_that_ended_in_vain_left_is_tried_again_but_not_without_end(ended):
    change(factories.machine())
    Job.objects.update(state=ended, ended_at=later(1))
    jobs.look(now=later(10))
    assert states() == [ended]
    jobs.look(now=later(12))
    jobs.look(now=later(13))
    assert states() == [ended, "waiting"]


@pytest.mark.django_db
def test_nothing_is_offered_where_nothing_is_left_or_a_change_is_young():
    machine = factories.machine()
    jobs.look(now=later(60))
    Stale.objects.create(machine=machine, since=later(59), notes=1)
    jobs.look(now=later(60))
    assert states() == []


@pytest.mark.django_db
def test_a_start_that_failed_holds_nobody_up_for_good(monkeypatch):
    """The queue's row is spent and the job still waits, so a change offers none: the worker's beat does."""
    machine = factories.machine()
    change(machine)
    job = Job.objects.get()

    def away(**_):
        raise OperationalError("the database is away")

    with monkeypatch.context() as broken:
        broken.setattr(jobs, "start", away)
        with pytest.raises(OperationalError):
            refresh.call(job.pk)
    DBTaskResult.objects.all().delete()
    change(machine, later(1))
    assert states() == ["waiting"]
    assert jobs.offer_again(now=later(11)) == [job.pk]
    assert DBTaskResult.objects.count() == 1
    refresh.call(job.pk)
    assert not Stale.objects.exists()


@pytest.mark.django_db
def test_a_worker_that_died_over_it_leaves_it_to_the_next():
    machine = factories.machine()
    change(machine)
    job = Job.objects.get()
    jobs.start(job_id=job.pk, at=NOW)  # and no sign of life after that
    change(machine, later(1))
    assert states() == ["working", "waiting"]
    assert jobs.offer_again(now=later(3)) == [job.pk]
    refresh.call(job.pk)
    assert not Stale.objects.exists()


@pytest.mark.django_db
def test_a_part_of_the_beat_that_breaks_stops_neither_the_others_nor_the_beat(monkeypatch, caplog):
    def broken(**_):
        raise ZeroDivisionError

    looked, offered = [], []
    monkeypatch.setattr(jobs, "offer_again", broken)
    monkeypatch.setattr(nightly, "offer_due", offered.append)
    monkeypatch.setattr(jobs, "look", lambda now: looked.append(now))
    worker._beat()
    assert len(looked) == len(offered) == 1
    assert "ZeroDivisionError" in caplog.text


@pytest.mark.django_db
def test_a_machine_that_breaks_is_named_and_the_others_are_added_up(monkeypatch):
    first = factories.machine()
    second = factories.machine(first.line)
    work_out = summaries.work_out

    def breaks(machine, first_day):
        if machine == first:
            raise ZeroDivisionError
        return work_out(machine, first_day)

    monkeypatch.setattr(summaries, "work_out", breaks)
    for machine in (first, second):
        change(machine)
    refresh.call(Job.objects.get().pk)
    job = Job.objects.get()
    assert (job.state, list(Stale.objects.values_list("machine", flat=True))) == ("failed", [first.pk])
    assert f"summaries of {first}" in job.message


@pytest.mark.django_db
@pytest.mark.parametrize("noted_anew", [False, True])
def test_a_slow_worker_writes_nothing_over_what_a_quicker_one_made(monkeypatch, noted_anew):
    machine = factories.machine()
    change(machine)
    stored, work_out, store = [], summaries.work_out, summaries.store

    def overtaken(one, first_day):
        made = work_out(one, first_day)
        monkeypatch.setattr(summaries, "work_out", work_out)
        change(machine, later(1))
        refit.refresh(machine.line.plant, later(1))  # sees both changes
        if noted_anew:  # with as many notes as the first time
            change(machine, later(2))
        return made

    monkeypatch.setattr(summaries, "work_out", overtaken)
    monkeypatch.setattr(summaries, "store", lambda *facts: stored.append(facts) or store(*facts))
    refit.refresh(machine.line.plant, NOW)
    assert len(stored) == 1
    assert Stale.objects.count() == int(noted_anew)
