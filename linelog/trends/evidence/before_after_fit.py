"""Judge every visit of a plant against what was to be expected without it, after every change of the counts.

One stored row a rate and number of days. It holds each visit's figures and, for each span that can be asked for,
which of its visits are claimed and what is put together: all, by the counts before, by reason, by machine.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from itertools import product
from typing import Any

import numpy as np

from linelog.alignment.models import Visit
from linelog.alignment.standing import RUNNING, STATIC
from linelog.calc.arrays import BoolArray, FloatArray, IntArray
from linelog.calc.before_after import BeforeAfter, claims, compare, smallest_fall_pooled
from linelog.calc.errors import CalcError
from linelog.calc.expected_rate import PARTS, Record
from linelog.plant.models import Fitting, Machine, Plant
from linelog.production.days import production_day
from linelog.production.queries import DaySeries, fleet_day_counts
from linelog.trends import refit
from linelog.trends.evidence.held_fit import methods_of
from linelog.trends.evidence.scope import SPANS, Scope
from linelog.trends.rates import MEASURES, Measure, day_by_day

KIND = "before and after"
WINDOWS = (3, 7, 14)
YEARS = 3  # older counts say little of how a plant scatters today. Own choice.
FARTHEST = dt.timedelta(days=365 * YEARS + PARTS[-1][1])
#: Why there is no result, beside the fields that the calculation names.
NO_VISITS = "visits"
#: Why nothing is told of a visit.
TOOLS, SOON, FEW = "tools", "soon", "few"


@dataclass(frozen=True, slots=True)
class Plan:
    """What is known of a plant's visits: arrays of n visits, and where its machines and days stand in the record."""

    machines: list[int]
    line: IntArray
    first: dt.date
    days: int
    visit: IntArray
    row: IntArray
    day: IntArray
    reason: list[str]
    method: list[str]
    fittings: list[tuple[int, int]]


def scope_of(measure: str, window: int) -> str:
    """Name one result among those stored."""
    return f"{measure}:{window}"


def fit_before_after(plant: Plant, now: dt.datetime) -> None:
    """Judge the visits by both rates and each number of days."""
    today = production_day(plant, now)
    fleet = fleet_day_counts(Machine.objects.filter(line__plant=plant), today - FARTHEST, None)
    series = fleet.by_machine()
    plan = _plan(plant, series) if series else None
    for measure, window in product(MEASURES, WINDOWS):
        missing: tuple[dict[str, Any], dict[str, Any]] = {"missing": NO_VISITS}, {}
        result, rests_on = judged(plan, series, measure, window, today) if plan else missing
        refit.keep(plant, KIND, scope_of(measure.key, window), now, rests_on=rests_on, result=result, sentence="")


def _plan(plant: Plant, series: Mapping[int, DaySeries]) -> Plan:
    machines = sorted(series)
    first = min(days.day[0].item() for days in series.values())
    last = max(days.day[-1].item() for days in series.values())
    rows = {machine: row for row, machine in enumerate(machines)}
    signed = Visit.objects.filter(machine__in=machines, state=Visit.State.SIGNED).order_by("opened_at", "pk")
    found: dict[tuple[int, int], tuple[int, str]] = {}
    for pk, machine, at, reason in signed.values_list("pk", "machine", "opened_at", "reason"):
        day = (production_day(plant, at) - first).days
        if 0 <= day <= (last - first).days:
            found[rows[machine], day] = pk, reason  # the last visit of a day stands for it
    methods = methods_of(machines)
    changes = Fitting.objects.filter(machine__in=machines).values_list("machine", "fitted_at", "removed_at")
    lines = dict(Machine.objects.filter(pk__in=machines).values_list("pk", "line"))
    return Plan(
        machines=machines,
        line=np.array([lines[machine] for machine in machines]),
        first=first,
        days=(last - first).days + 1,
        visit=np.array([pk for pk, _ in found.values()], dtype=np.int64),
        row=np.array([row for row, _ in found], dtype=np.int64),
        day=np.array([day for _, day in found], dtype=np.int64),
        reason=[reason for _, reason in found.values()],
        method=[methods.get(pk, "") for pk, _ in found.values()],
        fittings=[
            (rows[machine], (production_day(plant, at) - first).days)
            for machine, *times in changes
            for at in times
            if at is not None
        ],
    )


def _record(plan: Plan, series: Mapping[int, DaySeries], measure: Measure) -> Record:
    counts, cans = day_by_day(measure, series, plan.machines, plan.first, plan.days)
    visits = np.zeros(counts.shape, dtype=bool)
    visits[plan.row, plan.day] = True
    return Record(counts, cans, plan.line, visits)


def judged(
    plan: Plan, series: Mapping[int, DaySeries], measure: Measure, window: int, today: dt.date
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return the result as plain values, or what is missing for one, and what it rests on."""
    record = _record(plan, series, measure)
    rests_on = {"machines": len(plan.machines), "days": plan.days, "counts": int(record.counts.sum())}
    if len(plan.visit) == 0:
        return {"missing": NO_VISITS}, rests_on
    try:
        found = BeforeAfter(record, window)
    except CalcError as error:
        return {"missing": error.field}, rests_on
    # The record's visits come by machine and day; the plan's as they were signed.
    order = np.lexsort((plan.day, plan.row))
    visits = plan.visit[order]
    reasons, methods = ([given[at] for at in order.tolist()] for given in (plan.reason, plan.method))
    why = _why_not(plan, found, window)
    judge = _Judge(found, np.array([one == "" for one in why]), reasons, methods, plan)
    rests_on |= {"windows": int(found.learned.controls.sum() / window)}
    spans = {span.value: judge.span(visits, Scope(span=span).since(today)) for span in SPANS}
    return {"visits": _columns(plan, found, visits, why), "spans": spans}, rests_on


def _why_not(plan: Plan, found: BeforeAfter, window: int) -> list[str]:
    """Say of each visit why nothing is told of it; '' where something is."""
    changed: dict[int, list[int]] = {}
    for row, day in plan.fittings:
        changed.setdefault(row, []).append(day)
    why = []
    one = found.judged
    for row, day, told in zip(one.row.tolist(), one.day.tolist(), one.told.tolist(), strict=True):
        if any(abs(day - changed_on) <= window for changed_on in changed.get(row, ())):
            why.append(TOOLS)
        elif told:
            why.append("")
        else:
            why.append(SOON if day + window >= plan.days else FEW)
    return why


def _columns(plan: Plan, found: BeforeAfter, visits: IntArray, why: list[str]) -> dict[str, list[Any]]:
    one = found.judged
    floats = ("expected", "chance", "doubt", "low", "high", "ratio", "ratio_low", "ratio_high")
    return {
        "visit": visits.tolist(),
        "machine": [plan.machines[row] for row in one.row.tolist()],
        "day": [(plan.first + dt.timedelta(days=day)).isoformat() for day in one.day.tolist()],
        "why": why,
        "called": one.called.tolist(),
        "counts_before": one.before[0].astype(int).tolist(),
        "made_before": one.before[1].astype(int).tolist(),
        "counts_after": one.after[0].astype(int).tolist(),
        "made_after": one.after[1].astype(int).tolist(),
        **{name: _plain(getattr(one, name)) for name in floats},
    }


def _plain(values: FloatArray) -> list[float | None]:
    """Write what is no number as None."""
    return [value if math.isfinite(value) else None for value in values.tolist()]


class _Judge:
    """What is claimed and put together of the visits of a span."""

    def __init__(
        self, found: BeforeAfter, told: BoolArray, reasons: list[str], methods: list[str], plan: Plan
    ) -> None:
        self.found, self.told, self.plan = found, told, plan
        self.reasons, self.methods = np.array(reasons), np.array(methods)

    def span(self, visits: IntArray, since: dt.date | None) -> dict[str, Any]:
        """Return the claims among the visits since a day, and the groups."""
        one = self.found.judged
        first = (since - self.plan.first).days if since else 0
        inside = self.told & (one.day >= first)
        shown, edge = claims(np.where(inside, one.p, np.nan))
        groups = [group for kind, key, some in self._kinds(inside) if (group := self._group(kind, key, some))]
        methods = self._methods(inside)
        apart, group_edge = claims([*(group["p"] for group in groups), *(one["p"] for one in methods)])
        for method, is_shown in zip(methods, apart[len(groups) :].tolist(), strict=True):
            method["shown"] = is_shown
        for group, is_shown in zip(groups, apart[: len(groups)].tolist(), strict=True):
            group["shown"] = is_shown
            group["fall"] = smallest_fall_pooled(group.pop("pooled"), group_edge)
        return {"claimed": visits[shown].tolist(), "edge": edge, "groups": groups, "methods": methods}

    def _methods(self, inside: BoolArray) -> list[dict[str, Any]]:
        """Hold visits that left stations by running values against those that left them by static ones alone."""
        static, running = (self.found.pool(inside & (self.methods == method)) for method in (STATIC, RUNNING))
        compared = compare(running, static) if running and static else None
        if compared is None or running is None or static is None:
            return []
        sides = {
            f"{name}_{what}": getattr(one, what)
            for name, one in ((STATIC, static), (RUNNING, running))
            for what in ("visits", "ratio", "low", "high")
        }
        return [{**sides, **asdict(compared)}]

    def _kinds(self, inside: BoolArray) -> Iterator[tuple[str, Any, BoolArray]]:
        one = self.found.judged
        yield "all", None, inside
        yield from (("called", called, inside & (one.called == called)) for called in (True, False))
        yield from (("reason", reason, inside & (self.reasons == reason)) for reason in Visit.Reason.values)
        for row in np.unique(one.row).tolist():
            yield "machine", self.plan.machines[row], inside & (one.row == row)

    def _group(self, kind: str, key: Any, some: BoolArray) -> dict[str, Any] | None:
        pooled = self.found.pool(some)
        if pooled is None:
            return None
        one = self.found.judged
        return {
            "kind": kind,
            "key": key,
            "visits": pooled.visits,
            "machines": pooled.machines,
            "called": int((some & one.called).sum()),
            "counts_before": int(one.before[0][some].sum()),
            "made_before": int(one.before[1][some].sum()),
            "counts_after": int(pooled.counts),
            "made_after": int(pooled.cans),
            "expected": pooled.expected,
            "ratio": pooled.ratio,
            "ratio_low": pooled.low,
            "ratio_high": pooled.high,
            "p": pooled.p,
            "pooled": pooled,
        }
