"""Keep the stored summaries and the models that rest on them up to date, in the background.

Whatever changes counts, visits or fittings leaves a note in `Stale` (see linelog.web.followers), in its own
transaction. A worker then works out the summaries of those machines (linelog.trends.summaries), and after that every
model of the plant that is registered here, in the order of registration:

    refit.register("shrunken rates", fit_ranking)       # in ready() of the app, or in linelog.trends.tasks

    def fit_ranking(plant: Plant, now: datetime) -> None:
        refit.keep(plant, "ranking", "tear_offs", now, rests_on={...}, result={...}, sentence="...")

A refit reads the summaries (Stretch, Piece, Around, the daily sums), works outside any transaction, and keeps what it
finds with `keep`, one row of `Fit` for each kind and scope, replaced as a whole. It says in a sentence where there is
not enough data; it raises only where something is broken: that is logged, the other models are fitted all the same,
and the job says which one failed.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from datetime import datetime
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


def refresh(plant: Plant, now: datetime, tell: Callable[..., None] = lambda done, **more: None) -> str:
    """Work out the summaries of the plant's stale machines, then every model; return what was done in a sentence."""
    noted = Stale.objects.filter(machine__line__plant=plant).order_by("machine")
    stale = list(noted.values_list("machine_id", "notes", "first_day"))
    tell(0, total=len(stale) + len(REFITS), message="Adding up")
    machines = Machine.objects.select_related("line__plant").in_bulk([machine for machine, *_ in stale])
    for done, (machine_id, notes, first_day) in enumerate(stale, start=1):
        made = summaries.work_out(machines[machine_id], first_day)
        with transaction.atomic():
            summaries.store(machines[machine_id], made)
            Stale.objects.filter(machine=machine_id, notes=notes).delete()  # noted again meanwhile: it stays
        tell(done)
    failed = _fit_all(plant, now, lambda done, name: tell(len(stale) + done, message=f"Fitting {name}"))
    if failed:
        raise Refused(f"The summaries are new, but these models could not be fitted: {', '.join(failed)}.")
    return f"{len(stale)} machines added up, {len(REFITS)} models fitted."


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
