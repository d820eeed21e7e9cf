"""Work in the background: made with the request, taken up by a worker, watched on a page.

A kind of work is named once, where its task lives (a module that its app's `ready` imports):

    @task()
    def store(job_id: int) -> None:
        jobs.run(job_id, lambda tell: store_upload(job_id, tell))

    jobs.register("store upload", store)

A service then makes the job in its own transaction and hands it over with `jobs.offer(job)`.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Protocol

from django.db import transaction
from django.db.models import F, QuerySet
from django.db.models.functions import Coalesce
from django.utils import timezone

from linelog.web import audit, errors
from linelog.web.errors import NotAllowed, Refused
from linelog.web.models import Job
from linelog.web.permissions import Permission, may

log = logging.getLogger(__name__)

STALE_AFTER = timedelta(minutes=2)
#: A job that waits so long is offered once more: its place in the queue may be lost. Taken up twice it is done once.
LOST_AFTER = timedelta(minutes=10)
MOST_ATTEMPTS = 3
TELL_EVERY_S = 1.0
State = Job.State


class Enqueues(Protocol):
    """What a background task offers."""

    def enqueue(self, job_id: int) -> Any:
        """Put the work in the queue."""


class Stopped(Exception):
    """Raised inside the work when somebody cancelled it or another worker has taken it over."""


@dataclass(frozen=True, slots=True)
class Run:
    """One attempt at a job. What a worker whose job was taken from it still says, is not heard."""

    job_id: int
    attempt: int

    def rows(self) -> QuerySet[Job]:
        """Return the job, while it is this attempt that works on it."""
        return Job.objects.filter(pk=self.job_id, attempts=self.attempt, state=State.WORKING)


_tasks: dict[str, Enqueues] = {}
_looks: dict[str, Callable[[datetime], None]] = {}


def look_after(name: str, look: Callable[[datetime], None]) -> None:
    """Have the worker look at every beat whether something is left that no job stands for; it offers one then."""
    _looks[name] = look


def look(*, now: datetime) -> None:
    """Look after everything that was registered."""
    for one in _looks.values():
        one(now)


def register(kind: str, task: Enqueues) -> None:
    """Name the task that does this kind of work."""
    _tasks[kind] = task


def for_user(user: Any) -> QuerySet[Job]:
    """Return the jobs of this person's plant; every job for an administrator without a plant."""
    if not getattr(user, "is_authenticated", False):
        return Job.objects.none()
    if user.plant_id is None:
        return Job.objects.all() if may(user, Permission.ADMINISTER) else Job.objects.none()
    return Job.objects.filter(plant_id=user.plant_id)


def create(*, kind: str, by: Any, at: datetime, plant_id: int | None = None, total: int = 0, page: str = "") -> Job:
    """Make a waiting job; `page` is where its outcome is shown, `by` is None for the program's own work."""
    return Job.objects.create(
        kind=kind,
        plant_id=plant_id if plant_id is not None or by is None else by.plant_id,
        total=total,
        page=page,
        created_at=at,
        started_by_id=by.pk if by is not None else None,
        started_by_name=str(by) if by is not None else "the program",
    )


def offer(job: Job) -> None:
    """Put the job before the workers."""
    _tasks[job.kind].enqueue(job.pk)


def start(*, job_id: int, at: datetime) -> Run | None:
    """Take up a waiting job; None where it is no longer waiting or somebody cancelled it first."""
    with transaction.atomic():
        taken = Job.objects.filter(pk=job_id, state=State.WAITING, cancel_wanted=False).update(
            state=State.WORKING, started_at=at, heartbeat_at=at, attempts=F("attempts") + 1, done=0
        )
        return Run(job_id, Job.objects.values_list("attempts", flat=True).get(pk=job_id)) if taken else None


def progress(*, run: Run, done: int, at: datetime, total: int | None = None, message: str | None = None) -> None:
    """Say how far the work is, which is also its heartbeat. Raises Stopped where it should end."""
    news: dict[str, Any] = {"done": done, "heartbeat_at": at}
    if total is not None:
        news["total"] = total
    if message is not None:
        news["message"] = message[:500]
    if not run.rows().filter(cancel_wanted=False).update(**news):
        raise Stopped


def _end(run: Run, state: str, at: datetime, message: str) -> bool:
    all_of_it = {"done": F("total")} if state == State.DONE else {}
    return bool(run.rows().update(state=state, ended_at=at, heartbeat_at=at, message=message[:500], **all_of_it))


def finish(*, run: Run, at: datetime, message: str = "") -> bool:
    """Mark the work done; False where it was no longer this attempt's."""
    return _end(run, State.DONE, at, message)


def fail(*, run: Run, at: datetime, sentence: str) -> bool:
    """Mark the work failed, with one sentence that says why."""
    return _end(run, State.FAILED, at, sentence)


def stopped(*, run: Run, at: datetime) -> bool:
    """Mark the work cancelled, by the worker that was at it."""
    return _end(run, State.CANCELLED, at, "Cancelled.")


def may_cancel(job: Job, by: Any) -> bool:
    """Whoever started it may cancel it, and so may who sets the plant up."""
    return job.started_by_id == by.pk or may(by, Permission.SET_UP)


def cancel(*, job: Job, by: Any, at: datetime) -> None:
    """Cancel a waiting job at once; ask a working one to stop at its next step."""
    if not may_cancel(job, by):
        raise NotAllowed("Only the person who started this, or a manager, can cancel it.")
    with transaction.atomic():
        wanted = Job.objects.filter(pk=job.pk, state__in=[State.WAITING, State.WORKING], cancel_wanted=False)
        if not wanted.update(cancel_wanted=True):
            return
        Job.objects.filter(pk=job.pk, state=State.WAITING).update(
            state=State.CANCELLED, ended_at=at, message="Cancelled before it began."
        )
        audit.record(by=by, action="cancelled", obj=job, at=at, plant_id=job.plant_id)


def offer_again(*, now: datetime) -> list[int]:
    """Offer again every job whose heartbeat stopped, or that waits too long; give up after MOST_ATTEMPTS.

    Returns those offered.
    """
    offered = _offer_lost(now)
    for job in Job.objects.filter(state=State.WORKING, heartbeat_at__lt=now - STALE_AFTER):
        run = Run(job.pk, job.attempts)
        still = run.rows().filter(heartbeat_at=job.heartbeat_at)
        if job.cancel_wanted:
            stopped(run=run, at=now)
        elif job.attempts >= MOST_ATTEMPTS or job.kind not in _tasks:
            fail(run=run, at=now, sentence="The work stopped more than once without an end; start it anew.")
        else:
            with transaction.atomic():
                if still.update(state=State.WAITING, message="Stopped on the way; offered again."):
                    offer(job)
                    offered.append(job.pk)
    return offered


def _offer_lost(now: datetime) -> list[int]:
    """Offer again what waits for longer than the queue should take; a waiting job's heartbeat is its last offer."""
    offered = []
    late = Coalesce("heartbeat_at", "created_at")
    waiting = Job.objects.filter(state=State.WAITING, cancel_wanted=False, kind__in=list(_tasks))
    for job in waiting.annotate(offered_at=late).filter(offered_at__lt=now - LOST_AFTER):
        still = Job.objects.filter(pk=job.pk, state=State.WAITING, heartbeat_at=job.heartbeat_at)
        with transaction.atomic():
            if still.update(heartbeat_at=now):
                offer(job)
                offered.append(job.pk)
    return offered


class Reporter:
    """Given to the work: `tell(done)` as often as it likes; the database hears of it once a second."""

    def __init__(self, run: Run, clock: Callable[[], datetime]) -> None:
        self.run = run
        self._clock = clock
        self._next = 0.0

    def __call__(self, done: int, *, total: int | None = None, message: str | None = None) -> None:
        """Say how far it is. Raises Stopped where somebody cancelled."""
        if time.monotonic() < self._next and total is None and message is None:
            return
        self._next = time.monotonic() + TELL_EVERY_S
        progress(run=self.run, done=done, at=self._clock(), total=total, message=message)


def run(job_id: int, work: Callable[[Reporter], str | None], clock: Callable[[], datetime] = timezone.now) -> None:
    """Do the work of a job from start to end; its answer is the closing message."""
    taken = start(job_id=job_id, at=clock())
    if taken is None:
        return
    try:
        message = work(Reporter(taken, clock))
    except Stopped:
        stopped(run=taken, at=clock())
    except Refused as refusal:
        fail(run=taken, at=clock(), sentence=refusal.message)
    except Exception as broke:  # whatever broke, the job must not stay "working" for ever: it is told as failed
        log.exception("job %s broke", job_id)
        sentence = f"Something broke; tell the administrator: job {job_id}."
        fail(run=taken, at=clock(), sentence=errors.DiskFull().message if errors.is_disk_full(broke) else sentence)
    else:
        finish(run=taken, at=clock(), message=message or "")
