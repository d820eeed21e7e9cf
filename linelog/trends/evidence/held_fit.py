"""Static or running: which way of aligning holds longer, from what each left in and found again by the same way."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from linelog.alignment.judging import judged
from linelog.alignment.models import Result, Visit
from linelog.alignment.standing import AS_FOUND, AS_LEFT, RUNNING, STATIC, Value
from linelog.alignment.values import standing
from linelog.calc.errors import CalcError
from linelog.calc.held import compare_held
from linelog.calc.verdict import Verdict
from linelog.plant.models import Machine, Plant
from linelog.production.days import production_day
from linelog.production.queries import fleet_strokes
from linelog.trends import refit

KIND = "static or running"


@dataclass(frozen=True, slots=True)
class Again:
    """A station that a visit left in, and a later visit found by the same way of measuring."""

    machine: int
    left_on: dt.date
    found_on: dt.date
    method: str
    is_out: bool


def methods_of(machines: Iterable[int]) -> dict[int, str]:
    """Return how each signed visit left its stations: by running values, or by static ones alone."""
    left = Result.objects.filter(
        visit__machine__in=machines, visit__state=Visit.State.SIGNED, stage=AS_LEFT, carried=False
    )
    found: dict[int, str] = {}
    for visit, method in judged(left).order_by().values_list("visit", "method").distinct():
        found[visit] = RUNNING if RUNNING in (method, found.get(visit)) else STATIC
    return found


def fit_held(plant: Plant, now: dt.datetime) -> None:
    """Compare how often each way found a station out again, over the strokes since it was left in."""
    machines = list(Machine.objects.filter(line__plant=plant).values_list("pk", flat=True))
    again = list(_found_again(plant, machines))
    strokes = _strokes(machines, again)
    columns = (
        np.array([one.machine for one in again], dtype=np.int64),
        strokes,
        np.array([one.is_out for one in again], dtype=bool),
        np.array([one.method == RUNNING for one in again], dtype=bool),
    )
    result: dict[str, Any]
    try:
        held = compare_held(*columns)
        result = {**asdict(held), "shown": held.shown}
    except CalcError as refused:
        result = {"missing": refused.field}
    refit.keep(plant, KIND, "", now, rests_on={"found": len(again)}, result=result, sentence="")


def _found_again(plant: Plant, machines: Sequence[int]) -> Iterator[Again]:
    signed = Visit.objects.filter(machine__in=machines, state=Visit.State.SIGNED)
    where = {pk: (of, production_day(plant, at)) for pk, of, at in signed.values_list("pk", "machine", "opened_at")}
    left: dict[tuple[int, str, str], Value] = {}
    for value in standing(Result.objects.filter(visit__in=signed)).values:
        if value.carried or value.series not in (STATIC, RUNNING):
            continue
        key = value.station_id, value.seat, value.series
        if value.stage == AS_LEFT:
            left[key] = value
        elif value.stage == AS_FOUND and (before := left.pop(key, None)) and before.verdict == Verdict.IN.value:
            machine, found_on = where[value.visit_id]
            is_out = value.verdict == Verdict.OUT.value
            yield Again(machine, where[before.visit_id][1], found_on, value.series, is_out)


def _strokes(machines: Sequence[int], again: Sequence[Again]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return the million strokes between each pair of visits, of the days between them."""
    of, days, made = fleet_strokes(machines, None)
    found, by_machine = np.zeros(len(again)), defaultdict(list)
    for at, one in enumerate(again):
        by_machine[one.machine].append(at)
    for machine, places in by_machine.items():
        here = of == machine
        sums = np.concatenate([[0.0], np.cumsum(made[here])])
        ends = [[again[at].left_on + dt.timedelta(days=1), again[at].found_on] for at in places]
        first, last = np.searchsorted(days[here], np.array(ends, dtype="datetime64[D]")).T
        found[places] = np.maximum(0.0, sums[last] - sums[first]) / 1e6
    return found
