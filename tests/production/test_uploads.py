"""A file from the person's hand to the stored rows: preview first, nothing doubled, nothing lost on the way."""

import datetime as dt
import json
from pathlib import Path

import pytest
from django.db import connection

from linelog.production import chunks, exporting, listing, working
from linelog.production.models import CountChange, DayCount, ShiftCount, Upload
from linelog.production.queries import cause_sums, day_counts
from linelog.production.services import counts, uploads
from linelog.production.services.counts import Numbers
from linelog.web import jobs
from linelog.web.errors import NotAllowed, Refused
from linelog.web.models import AuditEvent, Job
from tests import factories
from tests.production.helpers import HEADING, as_file, row, table

pytestmark = pytest.mark.django_db
NOW = factories.NOW
LIMIT = 100_000_000


def send(site, content, **more):
    return uploads.receive(
        by=site.quality, at=NOW, plant=site.plant, file=as_file(content), limit_bytes=LIMIT, **more
    )


def store(site, upload, **more):
    return uploads.store(by=site.quality, at=NOW, upload=upload, **more)


def days(count, machine="BM 1", shift="A", cans=1000):
    start = dt.date(2026, 1, 1)
    return [row(machine, start + dt.timedelta(days=i), shift, cans + i, i, 0, 0, 0, 0.5) for i in range(count)]


def sums_agree():
    """Every daily sum is the sum of its shifts, and there is one for each day with shifts."""
    expected = {}
    for shift in ShiftCount.objects.all():
        key = (shift.machine_id, shift.day)
        expected[key] = expected.get(key, 0) + shift.cans
    return {(s.machine_id, s.day): s.cans for s in DayCount.objects.all()} == expected


def test_a_file_is_kept_and_shown_and_nothing_is_stored_yet(site):
    content = table(*days(3), row("BM 9"))
    upload = send(site, content)
    assert upload.state == "previewed"
    assert (upload.rows, upload.new_rows, upload.changed_rows, upload.same_rows, upload.bad_rows) == (4, 3, 0, 0, 1)
    assert upload.problems == [
        {"line": 5, "column": "machine", "value": "BM 9", "why": "no such machine in this plant"}
    ]
    assert Path(upload.file.path).read_bytes() == content
    assert ShiftCount.objects.count() == DayCount.objects.count() == 0


def test_stored_rows_are_in_the_shifts_and_in_the_daily_sums(site):
    heading = HEADING + ",spoiled:DENT,spoiled:SPLIT"
    rows = [row("BM 1", "2026-03-01", shift, 1000, 50, 4, 5, 1, 12.25) + ",7,0" for shift in "ABC"]
    upload = store(site, send(site, table(*rows, heading=heading)))
    assert (upload.state, upload.stored_new) == ("stored", 3)
    series = day_counts(site.one, None, None)
    assert (series.cans.tolist(), series.spoiled.tolist(), series.minutes_down.tolist()) == ([3000], [150], [36.75])
    assert cause_sums(site.one, None, None) == {"": 129, "DENT": 21}
    assert ShiftCount.objects.first().by_cause == {"DENT": 7}
    assert ShiftCount.objects.filter(upload=upload).count() == 3


def test_the_same_file_twice_changes_nothing_and_says_so(site):
    content = table(*days(5), heading=HEADING)
    store(site, send(site, content))
    before = list(ShiftCount.objects.values().order_by("pk"))
    again = send(site, content)
    assert (again.new_rows, again.changed_rows, again.same_rows) == (0, 0, 5)
    assert "would change nothing" in again.sentence
    assert "This very file was stored before" in again.notes[0]
    with pytest.raises(Refused, match="nothing in this file"):
        store(site, again)
    assert list(ShiftCount.objects.values().order_by("pk")) == before
    assert CountChange.objects.count() == 0


def test_causes_in_another_order_are_still_the_same(site):
    heading = HEADING + ",spoiled:SPLIT,spoiled:DENT"
    upload = store(site, send(site, table(row() + ",1,2", heading=heading)))
    ShiftCount.objects.filter(upload=upload).update(by_cause={"SPLIT": 1, "DENT": 2})
    assert send(site, table(row() + ",1,2", heading=heading)).same_rows == 1
    assert send(site, table(row() + ",2,1", heading=heading)).changed_rows == 1


def test_corrected_rows_replace_with_a_history(site):
    heading = HEADING + ",spoiled:SPLIT"
    store(site, send(site, table(row() + ",3", row("BM 2") + ",", heading=heading)))
    upload = send(
        site, table(row("BM 1", "2026-03-01", "A", 99, 7, 4, 5, 1, 12.5) + ",5", row("BM 2") + ",", heading=heading)
    )
    assert (upload.new_rows, upload.changed_rows, upload.same_rows) == (0, 1, 1)
    assert upload.changes[0]["machine"] == "BM 1"
    told = {
        one.label: (one.was, one.now) for one in listing.differences(*map(upload.changes[0].get, ("before", "after")))
    }
    assert told == {"Good cans": ("100\u202f000", "99"), "Spoiled cans": ("320", "7"), "Spoiled: SPLIT": ("3", "5")}
    upload = store(site, upload)
    change = CountChange.objects.get()
    assert (change.upload_id, change.by, change.at) == (upload.pk, site.quality, NOW)
    assert (change.before["cans"], change.before["by_cause"]) == (100000, {"SPLIT": 3})
    assert (change.after["cans"], change.after["by_cause"]) == (99, {"SPLIT": 5})
    assert ShiftCount.objects.get(machine=site.one).version == 2
    assert ShiftCount.objects.get(machine=site.two).version == 1
    assert sums_agree()
    shown = {one.label: (one.was, one.now) for one in listing.differences(change.before, change.after)}
    assert shown == told


def test_bad_rows_are_left_out_only_if_the_person_says_so(site):
    upload = send(site, table(*days(2), row("BM 9")))
    with pytest.raises(Refused, match="left out") as refused:
        store(site, upload)
    assert refused.value.field == "without_bad"
    assert ShiftCount.objects.count() == 0
    assert store(site, upload, without_bad=True).stored_new == 2


def test_more_spoiled_than_good_asks_for_confirmation(site):
    upload = send(site, table(row("BM 1", "2026-03-01", "A", 5, 6, 0, 0, 0, 0)))
    with pytest.raises(Refused, match="more spoiled"):
        store(site, upload)
    assert store(site, upload, odd_are_right=True).state == "stored"


def test_dates_that_are_not_clear_wait_for_an_answer(site):
    upload = send(site, table(row(date="03/04/2026")))
    assert (upload.state, "no date in the file shows" in upload.sentence) == ("question", True)
    with pytest.raises(Refused):
        store(site, upload)
    upload = uploads.read_again(by=site.quality, at=NOW, upload=upload, date_order="mdy")
    assert upload.state == "previewed"
    store(site, upload)
    assert ShiftCount.objects.get().day == dt.date(2026, 3, 4)


def test_a_file_that_cannot_be_read_says_why(site):
    upload = send(site, b"%PDF-1.7")
    assert (upload.state, upload.sentence) == ("refused", "This is not a table of counts but a PDF document.")
    assert Path(upload.file.path).read_bytes() == b"%PDF-1.7"


def test_a_file_above_the_limit_is_not_kept(site):
    with pytest.raises(Refused, match="is the most"):
        uploads.receive(
            by=site.quality, at=NOW, plant=site.plant, file=as_file(b"x" * 2_000_000), limit_bytes=1_000_000
        )
    assert Upload.objects.count() == 0


def test_who_may_only_look_may_send_nothing(site):
    with pytest.raises(NotAllowed):
        uploads.receive(by=site.viewer, at=NOW, plant=site.plant, file=as_file(table(row())), limit_bytes=LIMIT)


def test_a_name_of_another_plant_is_unknown(site):
    other = factories.machine(name="BM OTHER")
    assert send(site, table(row(other.name))).bad_rows == 1


def test_two_machines_of_the_same_name_are_told_apart_by_their_line(site):
    twin = factories.machine(factories.line(site.plant, name="Line 2"), name="BM 1")
    upload = send(site, table(row("BM 1"), row("line 2/bm 1")))
    assert upload.problems[0]["why"] == "two machines of the plant are called so: write line/machine"
    store(site, upload, without_bad=True)
    assert ShiftCount.objects.get().machine == twin


# Large files: the worker.
@pytest.fixture
def by_worker(monkeypatch):
    """Every file is large; the job is made and offered, and a test runs it when it wants."""
    monkeypatch.setattr(uploads, "SMALL_BYTES", 0)
    monkeypatch.setattr(uploads, "FEW_ROWS", 0)
    monkeypatch.setattr(working.Pace, "__exit__", lambda *args: None)


def run_job(upload):
    from linelog.production import tasks

    upload.refresh_from_db()
    {uploads.READ: tasks.read, uploads.STORE: tasks.store}[upload.job.kind].func(upload.job_id)
    upload.refresh_from_db()
    upload.job.refresh_from_db()
    return upload


def test_a_large_file_is_read_and_stored_by_the_worker(site, by_worker):
    upload = send(site, table(*days(30)))
    assert (upload.state, upload.job.state, upload.job.page) == (
        "checking",
        "waiting",
        f"/counts/uploads/{upload.pk}/",
    )
    run_job(upload)
    assert (upload.state, upload.job.state, upload.new_rows) == ("previewed", "done", 30)
    store(site, upload)
    assert (upload.state, ShiftCount.objects.count()) == ("storing", 0)
    run_job(upload)
    assert (upload.state, upload.job.message) == ("stored", "30 new, 0 changed, 0 were the same.")
    assert ShiftCount.objects.count() == 30
    assert sums_agree()


def _break_after(monkeypatch, chunk_number, error):
    """Let so many chunks through, then fail as a killed worker does: in the middle, with nothing said."""
    true_write, seen = chunks.write, []

    def write(chunk, **more):
        seen.append(chunk)
        if len(seen) > chunk_number:
            raise error
        true_write(chunk, **more)

    monkeypatch.setattr(chunks, "write", write)


@pytest.fixture
def small_chunks(monkeypatch):
    monkeypatch.setattr(working.Pace, "__enter__", lambda self: setattr(self, "rows", 7) or self)
    made = working.Pace.__init__

    def start(self, **more):
        made(self, **more)
        self.rows = 7

    monkeypatch.setattr(working.Pace, "__init__", start)


def test_a_killed_worker_leaves_half_and_another_finishes_without_doubling(
    site, by_worker, small_chunks, monkeypatch
):
    upload = run_job(send(site, table(*days(30))))
    store(site, upload)
    with monkeypatch.context() as broken:
        _break_after(broken, 2, KeyboardInterrupt())
        with pytest.raises(KeyboardInterrupt):
            run_job(upload)
    upload = Upload.objects.get()
    assert (upload.handled, upload.is_half_stored, upload.job.state) == (14, True, "working")
    assert ShiftCount.objects.count() == 14
    assert sums_agree()
    # Its heartbeat stops; the job is offered again and goes on from there.
    later = upload.job.heartbeat_at + jobs.STALE_AFTER + dt.timedelta(seconds=1)
    assert jobs.offer_again(now=later) == [upload.job_id]
    run_job(upload)
    assert (upload.state, upload.stored_new, upload.stored_same) == ("stored", 30, 0)
    assert ShiftCount.objects.count() == 30
    assert sums_agree()


def test_storing_that_broke_is_finished_by_one_press(site, by_worker, small_chunks, monkeypatch):
    upload = run_job(send(site, table(*days(30))))
    store(site, upload)
    with monkeypatch.context() as broken:
        _break_after(broken, 1, RuntimeError("the disk is full"))
        run_job(upload)
    assert (upload.job.state, upload.is_half_stored, upload.left_to_store) == ("failed", True, 23)
    with pytest.raises(Refused, match="finish storing"):
        uploads.read_again(by=site.quality, at=NOW, upload=upload)
    run_job(store(site, upload))
    assert (upload.state, ShiftCount.objects.count()) == ("stored", 30)


def test_cancel_in_the_middle_keeps_what_is_stored_and_says_so(site, by_worker, small_chunks, monkeypatch):
    monkeypatch.setattr(jobs, "TELL_EVERY_S", 0.0)
    upload = run_job(send(site, table(*days(30))))
    store(site, upload)
    true_write = chunks.write

    def write_then_cancel(chunk, **more):
        true_write(chunk, **more)
        uploads.cancel(by=site.quality, at=NOW, upload=Upload.objects.get())

    with monkeypatch.context() as cancelled:
        cancelled.setattr(chunks, "write", write_then_cancel)
        run_job(upload)
    assert (upload.state, upload.job.state, upload.handled, upload.is_half_stored) == (
        "cancelled",
        "cancelled",
        7,
        True,
    )
    run_job(store(site, upload))
    assert (upload.state, upload.stored_new, ShiftCount.objects.count()) == ("stored", 30, 30)
    assert sums_agree()


def test_cancel_before_the_worker_begins(site, by_worker):
    upload = send(site, table(*days(3)))
    uploads.cancel(by=site.quality, at=NOW, upload=upload)
    upload.refresh_from_db()
    assert (upload.state, upload.job.state) == ("cancelled", "cancelled")
    upload = run_job(uploads.read_again(by=site.quality, at=NOW, upload=upload))
    assert upload.state == "previewed"


def test_the_same_press_twice_stores_once(site, by_worker):
    upload = run_job(send(site, table(*days(3))))
    seen_twice = Upload.objects.get()
    store(site, upload)
    with pytest.raises(Refused):
        store(site, seen_twice)
    assert Job.objects.filter(kind=uploads.STORE).count() == 1


def test_a_row_that_somebody_changes_between_comparing_and_writing_is_looked_at_again(site, monkeypatch):
    store(site, send(site, table(*days(3))))
    upload = send(site, table(*days(3, cans=2000)))
    true_prepare, calls = chunks.prepare, []

    def prepare_then_change(rows, **more):
        chunk = true_prepare(rows, **more)
        if not calls:
            count = ShiftCount.objects.order_by("day").first()
            counts.correct(by=site.quality, at=NOW, count=count, numbers=Numbers(555, 0), version=count.version)
        calls.append(chunk)
        return chunk

    monkeypatch.setattr(chunks, "prepare", prepare_then_change)
    upload = store(site, upload)
    assert (len(calls), upload.stored_changed) == (2, 3)
    first = ShiftCount.objects.order_by("day").first()
    assert (first.cans, first.version) == (2000, 3)
    told = CountChange.objects.filter(day=first.day).order_by("pk")
    assert [(change.before["cans"], change.after["cans"]) for change in told] == [(1000, 555), (555, 2000)]
    assert sums_agree()


def test_a_row_that_somebody_enters_between_comparing_and_writing_is_not_overwritten_unseen(site, monkeypatch):
    upload = send(site, table(*days(2)))
    true_prepare, calls = chunks.prepare, []

    def prepare_then_enter(rows, **more):
        chunk = true_prepare(rows, **more)
        if not calls:
            counts.enter(
                by=site.quality, at=NOW, machine=site.one, day=dt.date(2026, 1, 1), shift=site.shifts["A"],
                numbers=Numbers(1, 0),
            )  # fmt: skip
        calls.append(chunk)
        return chunk

    monkeypatch.setattr(chunks, "prepare", prepare_then_enter)
    upload = store(site, upload)
    assert (len(calls), upload.stored_new, upload.stored_changed) == (2, 1, 1)
    assert CountChange.objects.get().before["cans"] == 1


def test_the_rows_read_are_gone_after_storing_and_asked_for_again_where_they_are_missing(site):
    upload = send(site, table(*days(2)))
    working.rows_path(upload).unlink()
    with pytest.raises(Refused, match="read it again"):
        store(site, upload)
    upload = store(site, uploads.read_again(by=site.quality, at=NOW, upload=upload))
    assert upload.state == "stored"
    assert not working.rows_path(upload).exists()


def test_every_step_is_in_the_history(site):
    store(site, send(site, table(*days(2))))
    actions = list(AuditEvent.objects.filter(object_type="upload").order_by("pk").values_list("action", flat=True))
    assert actions == ["sent counts", "stored counts"]


def test_what_is_exported_comes_back_as_the_same(site):
    """The whole way round, with causes, names a spreadsheet would take for a formula, and decimals."""
    site.two.name = "=BM+2"
    site.two.save()
    heading = HEADING + ",spoiled:SPLIT,spoiled:DENT"
    rows = [
        row(name, day, "A") + f",{i},{2 * i}"
        for i, (name, day) in enumerate([("BM 1", "2026-03-01"), ("=BM+2", "2026-03-02")])
    ]
    store(site, send(site, table(*rows, heading=heading)))
    plants = exporting.plants_of(site.quality)
    exported = b"".join(exporting.lines(listing.shifts(site.quality, {}), plants))
    assert b"'=BM+2" in exported
    again = send(site, exported)
    assert (again.same_rows, again.rows) == (2, 2)


def test_the_numbers_of_changes_are_real_json_on_this_database(site):
    store(site, send(site, table(*days(1))))
    store(site, send(site, table(*days(1, cans=5))))
    with connection.cursor() as cursor:
        cursor.execute("SELECT CAST(before AS text) FROM production_countchange")
        (text,) = cursor.fetchone()
    assert json.loads(text)["cans"] == 1000


def test_the_pace_keeps_transactions_short_and_lets_others_in():
    slept = []
    pace = working.Pace(sleep=slept.append)
    start = pace.rows
    with pace:
        pass
    assert pace.rows == min(2 * start, pace.most)
    pace._began -= 10
    pace.__exit__()
    assert pace.rows == min(2 * start, pace.most) / 2
    assert len(slept) == (2 if connection.vendor == "sqlite" else 0)


def test_only_the_days_of_the_file_are_added_up_anew(site):
    """A sum that is wrong on purpose between two days of the file stays as it is."""
    store(site, send(site, table(*days(3))))
    DayCount.objects.filter(day=dt.date(2026, 1, 2)).update(cans=7)
    first, _, third = days(3, cans=5000)
    store(site, send(site, table(first, third)))
    assert list(DayCount.objects.order_by("day").values_list("cans", flat=True)) == [5000, 7, 5002]
