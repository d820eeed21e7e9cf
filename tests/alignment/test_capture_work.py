"""The work on a capture: in the background, whole or not at all, whatever becomes of worker, disk and patience."""

import datetime as dt
import errno
import io
import os
import zipfile
from types import SimpleNamespace

import pytest
from django.core.management import call_command
from django.db import OperationalError
from django.urls import reverse
from django.utils import timezone

from linelog.alignment import tasks
from linelog.alignment.captures import working
from linelog.alignment.models import Capture, CaptureValue
from linelog.alignment.services import captures as services
from linelog.calc.capture import csvfile
from linelog.web import jobs, sandbox, uploads
from linelog.web.backup import making
from linelog.web.errors import DiskFull, Refused
from linelog.web.models import AuditEvent, Job
from tests.alignment.capturing import NOW, Site, as_csv, frame

CSV = as_csv(frame())


@pytest.fixture
def by_worker(monkeypatch):
    """Every file is large, is read in many small pieces, and each piece is told."""
    monkeypatch.setattr(services, "SMALL_BYTES", 0)
    monkeypatch.setattr(jobs, "TELL_EVERY_S", 0.0)
    monkeypatch.setattr(csvfile, "BLOCK_BYTES", 40_000)


@pytest.fixture
def site(db):
    return Site()


def run_job(capture):
    capture.refresh_from_db()
    tasks.capture.func(capture.job_id)
    capture.refresh_from_db()
    capture.job.refresh_from_db()
    return capture


def half_way(monkeypatch, act):
    """Do something once the file is half read."""
    true_tell, told = jobs.Reporter.__call__, []

    def tell(self, done, **more):
        true_tell(self, done, **more)
        if done > 500 and not told:
            told.append(done)
            act()

    monkeypatch.setattr(jobs.Reporter, "__call__", tell)
    return told


def nothing_of_a_result(capture):
    return capture.result is None and not CaptureValue.objects.filter(capture=capture).exists()


def test_a_long_file_is_worked_out_by_the_worker(site, by_worker):
    capture = site.receive(CSV)
    assert (capture.state, capture.job.state, capture.job.total) == ("working", "waiting", 1000)
    assert capture.job.page == reverse("alignment:capture", args=[capture.pk])
    assert nothing_of_a_result(capture)
    run_job(capture)
    assert (capture.state, capture.job.state, capture.job.percent) == ("done", "done", 100)
    assert "strokes worked out" in capture.job.message


def test_by_the_worker_or_at_once_the_result_is_the_same(site, by_worker, monkeypatch):
    slow = run_job(site.receive(CSV)).result
    monkeypatch.setattr(services, "SMALL_BYTES", 10**9)
    other = Site()
    assert other.receive(CSV).result == slow


def test_progress_rises(site, by_worker, monkeypatch):
    seen = []
    true_tell = jobs.Reporter.__call__
    monkeypatch.setattr(jobs.Reporter, "__call__", lambda self, done, **m: (seen.append(done), true_tell(self, done)))
    run_job(site.receive(CSV))
    assert seen == sorted(seen)
    assert len(set(seen)) >= 2  # of a short file: that it was read, and that it was worked out
    assert seen[-1] == 1000


class Killed(BaseException):
    """What nothing catches, like a worker that is gone."""


def test_a_worker_killed_half_way_leaves_nothing_and_another_does_it_from_the_start(site, by_worker, monkeypatch):
    capture = site.receive(CSV)

    def die():
        raise Killed

    with monkeypatch.context() as dying:
        assert half_way(dying, die) == []
        with pytest.raises(Killed):
            run_job(capture)
    capture.refresh_from_db()
    assert (capture.state, capture.job.state) == ("working", "working")
    assert 0 < capture.job.done < 1000
    assert nothing_of_a_result(capture)
    later = capture.job.heartbeat_at + jobs.STALE_AFTER + dt.timedelta(seconds=1)
    assert jobs.offer_again(now=later) == [capture.job_id]
    run_job(capture)
    assert (capture.state, capture.job.state, capture.job.attempts) == ("done", "done", 2)
    assert CaptureValue.objects.filter(capture=capture).count() == 9


def test_a_worker_thought_dead_stores_nothing_once_another_has_taken_over(site, by_worker, monkeypatch):
    capture = site.receive(CSV)

    def taken_over():
        Job.objects.filter(pk=capture.job_id).update(attempts=7)

    with monkeypatch.context() as late:
        late.setattr(working.sandbox, "call", _then(working.sandbox.call, taken_over))
        run_job(capture)
    assert (capture.state, capture.job.state) == ("working", "working")
    assert nothing_of_a_result(capture)


def _then(work, act):
    def both(*args, **more):
        result = work(*args, **more)
        act()
        return result

    return both


@pytest.mark.parametrize("ends", ["crash", "talk_and_die", "break_down"])
def test_a_file_that_ends_or_breaks_its_reader_is_refused_with_a_sentence(site, monkeypatch, signed_in, ends):
    """At once and by the worker: the site goes on, and the capture is not worked at for ever."""

    def bad(function, bounds, **more):
        return sandbox.call(f"tests.web.bad_readers:{ends}", bounds)

    monkeypatch.setattr(working, "sandbox", SimpleNamespace(call=bad, Overrun=sandbox.Overrun, Broken=sandbox.Broken))
    client = signed_in(site.mechanic)
    answer = site.send(client, CSV)
    assert answer.status_code == 302
    capture = Capture.objects.get()
    assert (capture.state, capture.result) == ("refused", None)
    page = client.get(answer["Location"]).content.decode()
    assert capture.sentence in page
    assert "There is no result; the file is kept." in page
    monkeypatch.setattr(services, "SMALL_BYTES", 0)
    again = run_job(services.work_again(by=site.mechanic, at=NOW, capture=capture))
    assert (again.state, again.job.state) == ("refused", "done")


def test_a_capture_whose_job_is_gone_is_not_called_being_worked_out(site, by_worker, signed_in):
    capture = site.receive(CSV)
    Job.objects.filter(pk=capture.job_id).delete()
    client = signed_in(site.mechanic)
    for address in (
        reverse("alignment:capture", args=[capture.pk]),
        reverse("alignment:captures", args=[site.machine.pk]),
    ):
        page = client.get(address).content.decode()
        assert "Stopped before its end" in page
        assert "Being worked out" not in page
    capture.refresh_from_db()
    assert run_job(services.work_again(by=site.mechanic, at=NOW, capture=capture)).state == "done"


def test_damage_at_any_place_names_its_line(site):
    """A line overwritten with what is no number: told by its number, or the capture goes without it."""
    lines = CSV.splitlines(keepends=True)
    for number in range(2, len(lines), 97):
        wrong = [*lines[: number - 1], b"@" * (len(lines[number - 1]) - 1) + b"\n", *lines[number:]]
        capture = site.receive(b"".join(wrong))
        assert capture.state == "refused", number
        assert capture.sentence.startswith(f"Line {number:,}"), (number, capture.sentence)


def test_given_up_after_three_deaths_it_says_so_and_can_be_started_anew(site, by_worker, signed_in):
    capture = site.receive(CSV)
    for _ in range(jobs.MOST_ATTEMPTS):
        run = jobs.start(job_id=capture.job_id, at=NOW)
        assert run is not None
        jobs.offer_again(now=NOW + dt.timedelta(minutes=9))
    page = signed_in(site.mechanic).get(reverse("alignment:capture", args=[capture.pk])).content.decode()
    assert "stopped before its end." in page
    assert "There is no result; the file is kept." in page
    assert run_job(services.work_again(by=site.mechanic, at=NOW, capture=capture)).state == "done"


def test_cancel_during_the_work_leaves_no_result_and_keeps_the_file(site, by_worker, monkeypatch, signed_in):
    capture = site.receive(CSV)
    client = signed_in(site.mechanic)
    cancel = reverse("alignment:capture_cancel", args=[capture.pk])
    with monkeypatch.context() as cancelled:
        told = half_way(cancelled, lambda: client.post(cancel))
        run_job(capture)
    assert told
    assert (capture.state, capture.job.state) == ("cancelled", "cancelled")
    assert nothing_of_a_result(capture)
    page = client.get(reverse("alignment:capture", args=[capture.pk])).content.decode()
    assert "There is no result; the file is kept." in page
    assert run_job(services.work_again(by=site.mechanic, at=NOW, capture=capture)).state == "done"


def test_cancel_before_the_worker_begins_and_when_there_is_nothing_to_cancel(site, by_worker):
    capture = site.receive(CSV)
    services.cancel(by=site.mechanic, at=NOW, capture=capture)
    capture.refresh_from_db()
    assert (capture.state, capture.job.state) == ("cancelled", "cancelled")
    with pytest.raises(Refused, match="nothing to cancel"):
        services.cancel(by=site.mechanic, at=NOW, capture=capture)


def test_the_page_follows_the_work_and_stops_asking_when_it_is_over(site, by_worker, signed_in):
    client = signed_in(site.mechanic)
    site.send(client, CSV)
    capture = Capture.objects.get()
    address = reverse("alignment:capture", args=[capture.pk])
    part = client.get(address, HTTP_HX_REQUEST="true").content.decode()
    assert 'hx-trigger="every 1s"' in part
    assert "gives no sign of life" in part
    assert "data-figures" not in part
    run_job(capture)
    part = client.get(address, HTTP_HX_REQUEST="true").content.decode()
    assert "every 1s" not in part
    assert part.strip().startswith('<section id="state"')
    assert "data-figures" in part


@pytest.mark.django_db(transaction=True)
def test_the_real_worker_command_works_it_out(by_worker):
    site = Site()
    capture = site.receive(CSV, at=timezone.now())
    call_command("worker", "--batch", "--no-startup-delay", "--interval=0", verbosity=0)
    capture.refresh_from_db()
    assert capture.state == "done"


# A full disk: /dev/full answers every write with 'no space left on device', as the system itself would.


def test_a_disk_full_while_the_file_is_kept_is_told_beside_it(site, signed_in, monkeypatch):
    client = signed_in(site.mechanic)
    monkeypatch.setattr(uploads.tempfile, "mkstemp", lambda **more: (_full(), "/dev/full-not-there"))
    answer = site.send(client, CSV)
    assert answer.status_code == 507
    page = answer.content.decode()
    assert "The server&#x27;s disk is full: nothing of this was kept; tell the administrator." in page
    assert not Capture.objects.exists()
    assert not AuditEvent.objects.filter(action="sent capture").exists()


def _full():
    return os.open("/dev/full", os.O_WRONLY)


def test_a_disk_full_while_the_browser_still_sends_is_told(site, signed_in, monkeypatch, settings):
    client = signed_in(site.mechanic)
    settings.FILE_UPLOAD_MAX_MEMORY_SIZE = 1000

    class Full(uploads.Passing):
        def __init__(self, *args):
            super().__init__(*args)
            self.file = io.FileIO("/dev/full", "w")

    monkeypatch.setattr(uploads, "Passing", Full)
    answer = site.send(client, CSV)
    assert answer.status_code == 507
    assert "disk is full" in answer.content.decode()
    assert not Capture.objects.exists()


def test_a_disk_full_while_the_result_is_stored_is_told_and_nothing_half_is_there(site, by_worker, monkeypatch):
    capture = site.receive(CSV)

    def full(rows):
        raise OperationalError("database or disk is full")

    with monkeypatch.context() as broken:
        broken.setattr(CaptureValue.objects, "bulk_create", full)
        run_job(capture)
    assert (capture.state, capture.job.state) == ("working", "failed")
    assert capture.job.message == DiskFull().message
    assert nothing_of_a_result(capture)
    assert run_job(services.work_again(by=site.mechanic, at=NOW, capture=capture)).state == "done"


def test_a_database_without_room_is_told_on_a_page(site, signed_in, monkeypatch):
    def full(**more):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(services, "work_again", full)
    capture = site.receive(CSV)
    answer = signed_in(site.mechanic).post(reverse("alignment:capture_again", args=[capture.pk]))
    assert answer.status_code == 507
    assert "disk is full" in answer.content.decode()


@pytest.mark.django_db(transaction=True)
def test_a_backup_holds_the_file_under_its_digest(tmp_path, settings):
    settings.MEDIA_ROOT = tmp_path / "media"
    capture = Site().receive(CSV)
    manifest = making.make(tmp_path / "all.backup", media=settings.MEDIA_ROOT, at=NOW)
    part = manifest.parts[f"files/{capture.file.name}"]
    assert (part.sha256, part.size) == (capture.sha256, len(CSV))
    assert manifest.missing_files == []
    assert manifest.parts["tables/alignment_capture.jsonl"].rows == 1
    assert manifest.parts["tables/alignment_capturevalue.jsonl"].rows == 9
    with zipfile.ZipFile(tmp_path / "all.backup") as archive:
        assert archive.read(part.name) == CSV


def test_what_a_killed_server_left_of_files_on_their_way_is_cleared_a_day_later(site, settings):
    folder = settings.INCOMING_DIR
    folder.mkdir(exist_ok=True)
    old, new = folder / "in-old", folder / "in-new"
    for left in (old, new):
        left.write_bytes(b"half a file")
    yesterday = old.stat().st_mtime - uploads.LEFT_OVER_S - 5
    os.utime(old, (yesterday, yesterday))
    site.receive(CSV)
    assert not old.exists()
    assert new.exists()
    new.unlink()
