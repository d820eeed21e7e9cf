"""Keep the stored summaries and the models that rest on them up to date, in the background.

Whatever changes counts, visits or fittings leaves a note in `Stale` (see linelog.web.followers), in its own
transaction. A worker then works out the summaries of those machines (linelog.trends.summaries), and after that every
model of the plant that is registered here, in the order of registration:

    refit.register("shrunken rates", fit_ranking)       # in ready() of the app, or in linelog.trends.tasks

    def fit_ranking(plant: Plant, now: datetime) -> None:
        refit.keep(plant, "ranking", "tear_offs", now, rests_on={...}, result={...}, sentence="...")

A refit reads the summaries (Stretch, Piece, the daily sums), works outside any transaction, and keeps what it
finds with `keep`, one row of `Fit` for each kind and scope, replaced as a whole. It says in a sentence where there is
not enough data; it raises only where something is broken: that is logged, the other models are fitted all the same,
and the job says which one failed.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Case, DateField, F, Value, When

from linelog.plant.models import Machine, Plant
from linelog.trends import summaries
from linelog.trends.models import Fit, Stale
from linelog.web import jobs
from linelog.web.errors import Refused
from linelog.web.followers import Change
from linelog.web.models import Job

log = logging.getLogger(__name__)

KIND = "refresh evidence"
#: A note so old that no job stands for is one that a transaction left which ended after the job had looked.
LEFT_AFTER = timedelta(minutes=2)
#: After a job that failed or was cancelled the notes wait so long, so that what is broken is not tried without end.
AGAIN_AFTER = timedelta(minutes=10)
Refit = Callable[[Plant, datetime], None]
REFITS: dict[str, Refit] = {}


def register(name: str, refit: Refit) -> None:
    """Have a model fitted after every change of the summaries; the name is what the job calls it."""
    REFITS[name] = refit


def keep(
    plant: Plant,
    kind: str,
    scope: str,
    now: datetime,
    *,
    rests_on: Mapping[str, Any],
    result: Mapping[str, Any],
    sentence: str,
) -> Fit:
    """Replace the stored result of a model as a whole."""
    facts = {"made_at": now, "rests_on": dict(rests_on), "result": dict(result), "sentence": sentence[:500]}
    return Fit.objects.update_or_create(plant=plant, kind=kind, scope=scope, defaults=facts)[0]


def mark_stale(change: Change) -> None:
    """Note in the caller's transaction that these machines must be worked out anew, and see that a worker does it."""
    # Somebody else may note one of them meanwhile, or a worker take a note away: then look again.
    while _note(change) < len(change.machines):
        rows = [
            Stale(machine_id=machine, since=change.at, notes=0, first_day=change.first_day)
            for machine in sorted(change.machines)
        ]
        Stale.objects.bulk_create(rows, ignore_conflicts=True)
    if not change.more_to_come:
        offer(change.plant_id, change.at)


def _note(change: Change) -> int:
    """Have the notes that are there stand for this change too: from the earlier of both days on."""
    day = Value(change.first_day, output_field=DateField())
    earlier = day if change.first_day is None else Case(When(first_day__gt=day, then=day), default=F("first_day"))
    return Stale.objects.filter(machine__in=change.machines).update(notes=F("notes") + 1, first_day=earlier)


def offer(plant_id: int, at: datetime) -> None:
    """Offer one job for the plant, unless one waits already."""
    if not Job.objects.filter(kind=KIND, plant_id=plant_id, state=Job.State.WAITING).exists():
        jobs.offer(jobs.create(kind=KIND, by=None, at=at, plant_id=plant_id))


def offer_left(now: datetime) -> None:
    """Offer a job for every plant with notes that none stands for.

    Where a change sees a job waiting it offers none; on a database of many writers that job may start, look and end
    before the change is committed. So it is with a job that failed, or that somebody cancelled.
    """
    noted = Stale.objects.filter(since__lt=now - LEFT_AFTER).values_list("machine__line__plant", flat=True)
    for plant_id in noted.order_by().distinct():
        if may_offer(plant_id, now):
            with transaction.atomic():
                offer(plant_id, now)


def may_offer(plant_id: int, now: datetime) -> bool:
    """Whether no job of the plant is under way, and none was in vain a short time ago."""
    ours = Job.objects.filter(kind=KIND, plant_id=plant_id)
    under_way = ours.filter(state__in=[Job.State.WAITING, Job.State.WORKING])
    in_vain = ours.filter(state__in=[Job.State.FAILED, Job.State.CANCELLED], ended_at__gt=now - AGAIN_AFTER)
    return not under_way.exists() and not in_vain.exists()


def refresh(plant: Plant, now: datetime, tell: Callable[..., None] = lambda done, **more: None) -> str:
    """Work out the summaries of the plant's stale machines, then every model; return what was done in a sentence."""
    stale = list(Stale.objects.filter(machine__line__plant=plant).select_related("machine__line__plant"))
    tell(0, total=len(stale) + len(REFITS), message="Adding up")
    failed = []
    for done, note in enumerate(stale, start=1):
        try:
            _add_up(note)
        except Exception:  # whatever broke for one machine, the others are worked out, and its note stays
            log.exception("summaries of machine %s broke", note.machine_id)
            failed.append(f"summaries of {note.machine}")
        tell(done)
    failed += _fit_all(plant, now, lambda done, name: tell(len(stale) + done, message=f"Fitting {name}"))
    if failed:
        raise Refused(f"The rest is new, but these could not be worked out: {', '.join(failed)}.")
    return f"{len(stale)} machines added up, {len(REFITS)} models fitted."


def _add_up(note: Stale) -> None:
    """Work out a machine's summaries and take its note away; noted again meanwhile, it stays."""
    made = summaries.work_out(note.machine, note.first_day)
    rows = Stale.objects.filter(machine=note.machine_id)
    with transaction.atomic():
        now_there = rows.select_for_update().first()
        if now_there is None or now_there.since != note.since:
            return  # another worker was quicker, and has seen what is newer
        summaries.store(note.machine, made)
        rows.filter(notes=note.notes).delete()


def _fit_all(plant: Plant, now: datetime, tell: Callable[[int, str], None]) -> list[str]:
    failed = []
    for done, (name, refit) in enumerate(REFITS.items()):
        tell(done, name)
        try:
            refit(plant, now)
        except Exception:  # whatever broke in one model, the others are fitted all the same
            log.exception("model %s of plant %s broke", name, plant.pk)
            failed.append(name)
    return failed


def mark_all(plant: Plant, now: datetime) -> None:
    """Note that every machine of a plant must be worked out anew, as after a load that told nobody."""
    machines = Machine.objects.filter(line__plant=plant).values_list("pk", flat=True)
    mark_stale(Change("everything", plant.pk, frozenset(machines), now, more_to_come=True))
