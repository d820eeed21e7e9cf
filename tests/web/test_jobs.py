"""Background jobs: one worker at a time, progress and heartbeat, cancelling, and being offered again."""

import datetime as dt

import pytest

from linelog.web import health, jobs
from linelog.web.errors import NotAllowed, Refused
from linelog.web.models import AuditEvent, Job
from tests import factories

pytestmark = pytest.mark.django_db
NOW = factories.NOW
KIND = "count the cans"


class Queue:
    """Stands for the task: remembers what was put in the queue."""

    def __init__(self):
        self.offered = []

    def enqueue(self, job_id):
        self.offered.append(job_id)


@pytest.fixture
def queue(monkeypatch):
    made = Queue()
    monkeypatch.setitem(jobs._tasks, KIND, made)
    return made


@pytest.fixture
def by():
    return factories.person("quality")


@pytest.fixture
def job(by):
    return jobs.create(kind=KIND, by=by, at=NOW, total=200, page="/counts/7/")


def later(**more):
    return NOW + dt.timedelta(**more)


def state(job):
    job.refresh_from_db()
    return job.state


def test_a_job_goes_from_waiting_over_working_to_done(job):
    run = jobs.start(job_id=job.pk, at=NOW)
    jobs.progress(run=run, done=50, at=later(seconds=1), message="half of the half")
    job.refresh_from_db()
    assert (job.state, job.percent, job.message, job.heartbeat_at) == (
        "working",
        25,
        "half of the half",
        later(seconds=1),
    )
    assert jobs.finish(run=run, at=later(seconds=2), message="200 rows stored.")
    assert (state(job), job.ended_at, job.is_over) == ("done", later(seconds=2), True)


def test_a_job_whose_place_in_the_queue_is_lost_is_offered_once_more(job, queue):
    assert jobs.offer_again(now=later(minutes=9)) == []
    assert jobs.offer_again(now=later(minutes=11)) == [job.pk] == queue.offered
    assert jobs.offer_again(now=later(minutes=12)) == []
    assert jobs.offer_again(now=later(minutes=22)) == [job.pk]
    assert jobs.start(job_id=job.pk, at=later(minutes=23)) is not None
    assert jobs.start(job_id=job.pk, at=later(minutes=23)) is None
    assert jobs.offer_again(now=later(minutes=24)) == []


def test_a_job_is_taken_up_once(job):
    assert jobs.start(job_id=job.pk, at=NOW) is not None
    assert jobs.start(job_id=job.pk, at=NOW) is None


def test_cancelled_before_it_began_it_never_begins(job, by):
    jobs.cancel(job=job, by=by, at=NOW)
    assert state(job) == "cancelled"
    assert jobs.start(job_id=job.pk, at=NOW) is None
    assert AuditEvent.objects.get().action == "cancelled"


def test_cancelled_on_the_way_the_work_is_told_at_its_next_step(job, by):
    def work(tell):
        tell(1)
        jobs.cancel(job=job, by=by, at=NOW)
        job.refresh_from_db()
        assert job.is_stopping
        tell(2, message="next")
        pytest.fail("the work went on")

    jobs.run(job.pk, work, clock=lambda: NOW)
    assert (state(job), job.done) == ("cancelled", 1)


def test_who_may_cancel(job, by):
    with pytest.raises(NotAllowed):
        jobs.cancel(job=job, by=factories.person("mechanic", by.plant), at=NOW)
    jobs.cancel(job=job, by=factories.person("manager", by.plant), at=NOW)
    assert state(job) == "cancelled"


def test_a_job_that_is_over_is_not_cancelled(job, by):
    jobs.run(job.pk, lambda tell: "All there.", clock=lambda: NOW)
    jobs.cancel(job=job, by=by, at=NOW)
    assert (state(job), job.message, AuditEvent.objects.count()) == ("done", "All there.", 0)


def test_a_refusal_fails_with_its_sentence_and_anything_else_with_a_plain_one(job, by, caplog):
    def refuse(tell):
        raise Refused("The file has no column for cans.")

    jobs.run(job.pk, refuse, clock=lambda: NOW)
    assert (state(job), job.message) == ("failed", "The file has no column for cans.")

    other = jobs.create(kind=KIND, by=by, at=NOW)
    jobs.run(other.pk, lambda tell: 1 / 0, clock=lambda: NOW)
    assert state(other) == "failed"
    assert f"job {other.pk}" in other.message
    assert "ZeroDivisionError" in caplog.text


def test_the_database_hears_of_progress_once_a_second_not_at_every_row(job, django_assert_max_num_queries):
    def work(tell):
        for row in range(10_000):
            tell(row)

    with django_assert_max_num_queries(12):
        jobs.run(job.pk, work, clock=lambda: NOW)


def test_a_job_whose_heartbeat_stopped_is_offered_again_and_its_old_worker_not_heard(job, queue):
    first = jobs.start(job_id=job.pk, at=NOW)
    assert jobs.offer_again(now=later(minutes=2)) == []
    assert jobs.offer_again(now=later(minutes=2, seconds=1)) == [job.pk]
    assert queue.offered == [job.pk]
    assert state(job) == "waiting"
    second = jobs.start(job_id=job.pk, at=later(minutes=3))
    assert second.attempt == 2
    with pytest.raises(jobs.Stopped):
        jobs.progress(run=first, done=199, at=later(minutes=3))
    assert not jobs.finish(run=first, at=later(minutes=3))
    assert state(job) == "working"
    assert jobs.finish(run=second, at=later(minutes=4))


def test_offered_three_times_in_vain_it_is_given_up(job, queue):
    for attempt in range(jobs.MOST_ATTEMPTS):
        jobs.start(job_id=job.pk, at=later(hours=attempt))
        jobs.offer_again(now=later(hours=attempt, minutes=30))
    assert (state(job), len(queue.offered)) == ("failed", jobs.MOST_ATTEMPTS - 1)


def test_a_cancelled_job_whose_worker_died_is_not_offered_again(job, by, queue):
    jobs.start(job_id=job.pk, at=NOW)
    jobs.cancel(job=job, by=by, at=NOW)
    assert jobs.offer_again(now=later(minutes=5)) == []
    assert state(job) == "cancelled"


def test_the_page_shows_how_far_it_is_and_asks_again_by_itself_until_it_is_over(signed_in, job, by):
    client = signed_in(by)
    health.beat(name="worker", at=dt.datetime.now(dt.UTC))
    run = jobs.start(job_id=job.pk, at=NOW)
    jobs.progress(run=run, done=50, at=NOW)
    text = client.get(f"/jobs/{job.pk}/").content.decode()
    assert "50 of 200 (25 %)" in text
    assert 'hx-trigger="every 2s"' in text
    assert "Cancel" in text
    fragment = client.get(f"/jobs/{job.pk}/", headers={"HX-Request": "true"}).content.decode()
    assert fragment.strip().startswith("<section")
    jobs.finish(run=run, at=NOW, message="200 rows stored.")
    text = client.get(f"/jobs/{job.pk}/").content.decode()
    assert "hx-trigger" not in text
    assert 'href="/counts/7/"' in text
    assert "Cancel</button>" not in text


def test_the_page_says_so_where_no_worker_is_alive(signed_in, job, by):
    assert "no sign of life" in signed_in(by).get(f"/jobs/{job.pk}/").content.decode()


def test_another_plants_job_is_not_there(signed_in, job):
    client = signed_in(factories.person("manager"))
    assert client.get(f"/jobs/{job.pk}/").status_code == 404
    assert client.post(f"/jobs/{job.pk}/cancel/").status_code == 404
    assert state(job) == "waiting"


def test_the_cancel_button_works_as_a_plain_post(signed_in, job, by):
    assert signed_in(by).post(f"/jobs/{job.pk}/cancel/")["Location"] == f"/jobs/{job.pk}/"
    assert Job.objects.get(pk=job.pk).state == "cancelled"
