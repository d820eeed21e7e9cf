"""The real worker, killed in the middle of working out the evidence, which is never left behind what is stored.

Four ways in which it once froze. The times after which the program helps itself (two minutes without a sign of life,
ten of waiting) are not waited for: what they are counted from is put back by as much.
"""

from __future__ import annotations

import datetime as dt
import os
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from typing import Any

import pytest
from django.db import OperationalError, transaction
from django.db.models import Sum
from django.utils import timezone

from linelog.plant.models import Machine
from linelog.production.models import DayCount
from linelog.trends import refit
from linelog.trends.models import Fit, Stale, Stretch
from linelog.trends.repeats import usual
from linelog.web import jobs, nightly
from linelog.web.followers import COUNTS, Change
from linelog.web.models import Job, NightlyRun
from tests.durability import checking
from tests.durability.program import Program, scratch
from tests.postgres import Absent, own_cluster, runs

PATIENCE_S = 120.0
LONG_AGO = dt.timedelta(minutes=15)
State = Job.State
PREPARE = "from tests.durability.prepare import evidence; evidence()"


@pytest.fixture(params=["sqlite", "postgres"])
def program(request: Any, django_db_blocker: Any) -> Iterator[Program]:
    """The program with a plant whose evidence waits to be worked out; its database is the default one here."""
    with ExitStack() as over:
        try:
            cluster = over.enter_context(own_cluster(durable=True)) if request.param == "postgres" else None
        except Absent as absent:
            if os.environ.get("CI") == "true":
                raise
            pytest.skip(str(absent))
        made = over.enter_context(scratch(cluster.url if cluster else ""))
        made.manage("migrate", "-v0")
        made.manage("shell", "-v0", "-c", PREPARE)
        over.enter_context(django_db_blocker.unblock())
        over.enter_context(checking.as_default(over.enter_context(checking.database_of(made))))
        yield made


def until(asked: Callable[[], Any]) -> Any:
    deadline = time.monotonic() + PATIENCE_S
    while not (found := asked()):
        assert time.monotonic() < deadline, "it did not come to that in time"
        time.sleep(0.01)
    return found


def held_in(program: Program, kind: str) -> tuple[int, int]:
    """Wait until the worker is in the middle of a job of a kind, and hold it there; return it and the job."""

    def found() -> tuple[int, int] | None:
        at_it = Job.objects.filter(kind=kind, state=State.WORKING).values_list("pk", flat=True).first()
        if at_it is None:
            return None
        (worker,) = program.parts("worker")
        os.kill(worker, signal.SIGSTOP)
        with suppress(OperationalError):  # it may be held while it writes: then nobody else could
            if Job.objects.filter(pk=at_it, state=State.WORKING).update(heartbeat_at=timezone.now() - LONG_AGO):
                return worker, at_it
        os.kill(worker, signal.SIGCONT)
        return None

    return until(found)


def kill(worker: int) -> None:
    """Kill a worker; the one that takes its place beats as soon as it begins."""
    os.kill(worker, signal.SIGKILL)
    until(lambda: not runs(worker))


def kill_any(program: Program) -> None:
    kill(until(lambda: program.parts("worker"))[0])


def one_more_day(machine: Machine, cans: int) -> None:
    """Store counts of a day before all others, as an upload would: with its note, in the caller's transaction."""
    first = DayCount.objects.filter(machine=machine).order_by("day").values_list("day", flat=True)[0]
    DayCount.objects.create(machine=machine, day=first - dt.timedelta(days=1), cans=cans)
    refit.mark_stale(Change(COUNTS, machine.line.plant_id, frozenset([machine.pk]), timezone.now()))


def is_up_to_date() -> bool:
    """Whether no note is left, no job is under way, and all that was counted between the visits is in the sums."""
    under_way = Job.objects.filter(state__in=[State.WAITING, State.WORKING])
    return not Stale.objects.exists() and not under_way.exists()


def summed(machine: Machine) -> int:
    return Stretch.objects.filter(machine=machine).aggregate(all=Sum("cans"))["all"] or 0


@pytest.mark.durability
def test_the_evidence_is_brought_up_to_date_whatever_its_worker_dies_of(program):
    program.start()
    machine = Machine.objects.select_related("line").order_by("pk")[0]

    # It dies in the middle, and meanwhile something changes.
    worker, job = held_in(program, refit.KIND)
    with transaction.atomic():
        one_more_day(machine, 1_000_000)
    kill(worker)
    until(is_up_to_date)
    told = Job.objects.get(pk=job)
    assert (told.state, told.attempts) == (State.DONE, 2)
    before = summed(machine)
    counted = DayCount.objects.filter(machine=machine).aggregate(all=Sum("cans"))["all"]
    assert counted - before < 6 * 500_000, "all but the days of the visits"

    # A job whose start failed waits, and its place in the queue is gone.
    with transaction.atomic():
        lost = jobs.create(kind=refit.KIND, by=None, at=timezone.now() - LONG_AGO, plant_id=machine.line.plant_id)
        one_more_day(machine, 2_000_000)  # sees one that waits, so offers none
    kill_any(program)
    until(is_up_to_date)
    assert Job.objects.get(pk=lost.pk).state == State.DONE
    assert summed(machine) == before + 2_000_000

    # The night's refit is offered by the worker itself, and done though its worker dies in the middle.
    made_at = Fit.objects.get(kind=usual.KIND).made_at
    NightlyRun.objects.update(night=timezone.localdate() - dt.timedelta(days=2))
    kill_any(program)
    worker, job = held_in(program, nightly.KIND)
    kill(worker)
    until(lambda: NightlyRun.objects.filter(job_id=job, ended_at__isnull=False).exists())
    assert Fit.objects.get(kind=usual.KIND).made_at > made_at

    if program.url:
        change_while_it_runs(program, machine)


def change_while_it_runs(program: Program, machine: Machine) -> None:
    """With many writers: a change that saw a job waiting is committed when that job has ended."""
    until(is_up_to_date)
    before = summed(machine)
    (worker,) = until(lambda: program.parts("worker"))
    os.kill(worker, signal.SIGSTOP)
    refit.offer(machine.line.plant_id, timezone.now())
    waiting = Job.objects.get(kind=refit.KIND, state=State.WAITING)
    with checking.database_of(program, "beside") as other, transaction.atomic():
        one_more_day(machine, 4_000_000)
        os.kill(worker, signal.SIGCONT)
        until(lambda: Job.objects.using(other).filter(pk=waiting.pk, state=State.DONE).exists())
    assert Stale.objects.filter(machine=machine).exists()
    assert not Job.objects.filter(state__in=[State.WAITING, State.WORKING]).exists()
    Stale.objects.update(since=timezone.now() - LONG_AGO)
    kill_any(program)
    until(is_up_to_date)
    assert summed(machine) == before + 4_000_000
