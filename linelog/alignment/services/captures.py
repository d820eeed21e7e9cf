"""A running capture from the person's hand to a running offset in a visit."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.core.files.base import File
from django.db import IntegrityError, transaction
from django.urls import reverse
from django.utils import timezone

from linelog.alignment.captures.setting import ring_of, signals_of, worked_with
from linelog.alignment.captures.working import CAPTURES, STEPS, work_out
from linelog.alignment.models import Capture, CaptureValue, ProbeSetup
from linelog.alignment.services.guard import check_may
from linelog.calc.errors import CalcError
from linelog.plant.models import Machine, Person
from linelog.web import audit, jobs, sandbox
from linelog.web.errors import Conflict, Refused
from linelog.web.permissions import Permission
from linelog.web.uploads import Incoming, received

WORK_OUT = "work out capture"
FOLDER = "captures"
#: A file as short as this is worked out at once: it takes less than a second.
SMALL_BYTES = 2_000_000
CLOCK_SLACK = timedelta(minutes=2)
State = Capture.State
HEAVY = ("result", "worked_with")


@dataclass(frozen=True, slots=True)
class Recorded:
    """How and when a file was recorded."""

    setup: ProbeSetup
    recorded_at: datetime
    note: str = ""
    minutes_since_start: float | None = None
    oil_c: float | None = None


def receive(
    *, by: Person, at: datetime, machine: Machine, recorded: Recorded, file: File[bytes], limit_bytes: int
) -> Capture:
    """Keep a file as it came and have it worked out; the same file again is the same capture."""
    check_may(by, Permission.LOG_VISIT, "Your role may read captures but not send one.")
    setup = recorded.setup
    if setup.machine_id != machine.pk or not setup.is_active:
        raise Refused("Choose a set-up of this machine that is in use.", field="setup")
    if recorded.recorded_at > at + CLOCK_SLACK:
        raise Refused("This time has not come yet.", field="recorded_at")
    if file.size > limit_bytes:
        raise Refused(
            f"The file has {file.size / 1e6:.0f} MB; {limit_bytes / 1e6:.0f} MB is the most. Record for less long.",
            field="file",
        )
    name, settings = plain_name(file.name), worked_with(setup)
    with received(file) as incoming:
        _check(incoming, setup, name)
        there = _there(machine, incoming.sha256)
        if there is not None:
            return there
        capture = Capture(
            machine=machine,
            setup=setup,
            by=by,
            at=at,
            recorded_at=recorded.recorded_at,
            minutes_since_start=recorded.minutes_since_start,
            oil_c=recorded.oil_c,
            note=recorded.note,
            name=name,
            file=incoming.keep(FOLDER),
            sha256=incoming.sha256,
            size=incoming.size,
            worked_with=settings,
        )
        if not _insert(capture, by, at):
            return Capture.objects.get(machine=machine, sha256=incoming.sha256, set_aside_at__isnull=True)
    return _work(capture, by, at)


def _check(incoming: Incoming, setup: ProbeSetup, name: str) -> None:
    """Refuse at once what can be seen at once: an empty file, another kind of file, a missing column."""
    try:
        ring = ring_of(setup, setup.probes.all())
        sandbox.call(
            "linelog.calc.capture.apart:check_columns",
            CAPTURES,
            path=str(incoming.path),
            probes=ring.columns,
            signals=signals_of(setup),
            name=name,
        )
    except CalcError as error:
        raise Refused(error.message, field="file") from None
    except (sandbox.Overrun, sandbox.Broken) as ended:
        raise Refused(ended.sentence, field="file") from None


def _there(machine: Machine, sha256: str) -> Capture | None:
    return Capture.objects.filter(machine=machine, sha256=sha256, set_aside_at__isnull=True).first()


def _insert(capture: Capture, by: Person, at: datetime) -> bool:
    """Store a new capture with its history; False where the same file came in at the same moment."""
    try:
        with transaction.atomic():
            capture.save(force_insert=True)
            audit.record(by=by, action="sent capture", obj=capture, at=at, after=facts(capture))
    except IntegrityError:
        return False
    return True


def work_again(*, by: Person, at: datetime, capture: Capture) -> Capture:
    """Work a kept file out anew, with the set-up as it stands now."""
    check_may(by, Permission.LOG_VISIT, "Your role may read captures but not change one.")
    if capture.state == State.WORKING and in_hand(capture, at):
        raise Refused("This capture is being worked out already.")
    settings = worked_with(capture.setup)
    with transaction.atomic(), _changed(by, at, capture, "works capture out again") as fresh:
        _free(fresh)
        CaptureValue.objects.filter(capture=fresh).delete()
        clean = {
            "state": State.WORKING,
            "result": None,
            "algorithm": "",
            "sentence": "",
            "refused_field": "",
            "warnings": 0,
        }
        for name, value in {**clean, "worked_with": settings, "job": None}.items():
            setattr(fresh, name, value)
    return _work(fresh, by, at)


def cancel(*, by: Person, at: datetime, capture: Capture) -> Capture:
    """Stop the work; the file stays and can be worked out later."""
    check_may(by, Permission.LOG_VISIT, "Your role may read captures but not change one.")
    if capture.state != State.WORKING:
        raise Refused("There is nothing to cancel here.")
    if capture.job is not None and not capture.job.is_over:
        jobs.cancel(job=capture.job, by=by, at=at)
        capture.job.refresh_from_db()
    if capture.job is None or capture.job.is_over:
        with transaction.atomic(), _changed(by, at, capture, "cancelled capture") as fresh:
            if fresh.state == State.WORKING:
                fresh.state = State.CANCELLED
        return fresh
    return capture


def set_aside(*, by: Person, at: datetime, capture: Capture, why: str, version: int) -> Capture:
    """Leave a wrong capture out, for a reason; its file and its figures are kept."""
    check_may(by, Permission.LOG_VISIT, "Your role may read captures but not change one.")
    if not why.strip():
        raise Refused("Say why this capture is set aside.", field="why")
    with transaction.atomic(), _changed(by, at, capture, "set capture aside", version) as fresh:
        _free(fresh)
        if fresh.state == State.WORKING:
            raise Refused("It is being worked out: cancel that first.")
        fresh.set_aside_by, fresh.set_aside_at, fresh.set_aside_why = by, at, why.strip()
    return fresh


def _free(capture: Capture) -> None:
    if capture.visit_id is not None:
        raise Refused(
            "It belongs to a signed visit, which never changes: write an amendment there."
            if not (capture.visit and capture.visit.is_open)
            else "It gives the visit a running offset: take it out of the visit first."
        )
    if capture.set_aside_at is not None:
        raise Refused("This capture is set aside: send its file again to begin anew.")


@contextmanager
def _changed(
    by: Person, at: datetime, capture: Capture, action: str, version: int | None = None
) -> Iterator[Capture]:
    """Give the capture as it stands now, locked; store what the block changes, with its history."""
    fresh = Capture.objects.select_for_update(of=("self",)).get(pk=capture.pk)
    if version is not None and fresh.version != version:
        raise Conflict("Somebody else changed this capture meanwhile: look again.", theirs=fresh)
    fresh.machine = capture.machine
    before = facts(fresh)
    yield fresh
    fresh.version += 1
    fresh.save()
    audit.record(by=by, action=action, obj=fresh, at=at, before=before, after=facts(fresh))


def facts(capture: Capture) -> dict[str, Any]:
    """Return the capture's own columns for the history, without its curves."""
    return {name: value for name, value in audit.snapshot(capture).items() if name not in HEAVY}


def _work(capture: Capture, by: Person, at: datetime) -> Capture:
    """Work a short file out at once, hand a long one to the worker."""
    if capture.size > SMALL_BYTES:
        with transaction.atomic():
            page = reverse("alignment:capture", args=[capture.pk])
            plant_id = capture.machine.line.plant_id
            job = jobs.create(kind=WORK_OUT, by=by, at=at, plant_id=plant_id, total=STEPS, page=page)
            Capture.objects.filter(pk=capture.pk).update(job=job)
            jobs.offer(job)
    else:
        with suppress(jobs.Stopped):  # somebody else is at this capture by now: theirs stands
            work_out(capture, _tell_nobody)
    capture.refresh_from_db()
    return capture


def in_hand(capture: Capture, now: datetime) -> bool:
    """Whether a worker has this capture in hand, or will."""
    job = capture.job
    if job is None or job.is_over or capture.state != State.WORKING:
        return False
    return job.heartbeat_at is None or job.state == job.State.WAITING or now - job.heartbeat_at < jobs.STALE_AFTER


def _tell_nobody(done: int) -> None:
    """Short work has no progress to show."""


def plain_name(name: str | None) -> str:
    """Return the name a file came under, fit to be shown."""
    clean = "".join(letter if letter.isprintable() else " " for letter in name or "").strip()
    return clean[-200:] or "capture"


def when(moment: datetime) -> str:
    """Say a time by the plant's clock."""
    return timezone.localtime(moment).strftime("%Y-%m-%d %H:%M")
