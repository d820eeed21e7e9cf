"""Work out the ranking of a plant's machines after every change of the counts: one stored row a count and span."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

import numpy as np

from linelog.calc.arrays import FloatArray
from linelog.calc.errors import CalcError
from linelog.calc.rates import dispersion
from linelog.calc.shrink import fit_prior, funnel, shrink
from linelog.plant.models import Machine, Plant
from linelog.production.days import production_day
from linelog.production.queries import DaySeries, fleet_day_counts
from linelog.trends import refit
from linelog.trends.rates import MEASURES, Measure

KIND = "ranking"
SPANS = (28, 91, 182, 364)
FEWEST_MACHINES = 3  # fewer cannot say what is usual among machines: common practice, no source
EDGES = (0.95, 0.998)
_GRID = 60


def scope_of(measure: str, days: int) -> str:
    """Name one ranking among those stored."""
    return f"{measure}:{days}"


def refit_ranking(plant: Plant, now: dt.datetime) -> None:
    """Rank the machines in service by both counts over each span; the spans end with the newest day counted."""
    today = production_day(plant, now)
    serving = Machine.objects.filter(line__plant=plant).exclude(out_of_service_on__lt=today)
    fleet = fleet_day_counts(serving, today - dt.timedelta(days=max(SPANS) + 60), today)
    machines = fleet.by_machine()
    until = max((days.day[-1].item() for days in machines.values()), default=None)
    for measure in MEASURES:
        for span in SPANS:
            since = until - dt.timedelta(days=span - 1) if until else None
            result, rests_on, sentence = ranked(measure, machines, since) if since else ({}, {}, _NOTHING)
            if since and until:
                rests_on = {**rests_on, "since": since.isoformat(), "until": until.isoformat()}
            refit.keep(
                plant, KIND, scope_of(measure.key, span), now, rests_on=rests_on, result=result, sentence=sentence
            )


_NOTHING = "No cans were counted in this span: there is nothing to rank."


def ranked(
    measure: Measure, machines: Mapping[int, DaySeries], since: dt.date
) -> tuple[dict[str, Any], dict[str, Any], str]:
    """Return the ranking as plain values, what it rests on, and a sentence where there is none."""
    ids, counts, made, chi, dof = _sums(measure, machines, since)
    rests_on = {"machines": len(ids), "counts": int(counts.sum()), "cans": int(made.sum())}
    if len(ids) == 0:
        return {}, rests_on, _NOTHING
    if len(ids) < FEWEST_MACHINES:
        return {}, rests_on, f"Only {len(ids)} of the machines made cans in this span: a ranking needs three."
    wide = max(1.0, chi / dof) if dof > 0 else 1.0
    try:
        prior = fit_prior(counts, made, dispersion=wide)
    except CalcError as error:
        return {}, rests_on, str(error)
    pulled = shrink(counts, made, prior, dispersion=wide)
    usual = usual_rate(counts, made)
    grid = np.geomspace(0.7 * float(made.min()), 1.3 * float(made.max()), _GRID)
    lines = [line.tolist() for level in EDGES for line in funnel(usual, grid, level=level, dispersion=wide)]
    columns = {
        "machine": ids,
        "counts": counts.astype(int).tolist(),
        "made": made.astype(int).tolist(),
        "expected": (usual * made / 1e6).tolist(),
        "rate": (1e6 * counts / made).tolist(),
        "shrunk": pulled.rate.tolist(),
        "low": pulled.low.tolist(),
        "high": pulled.high.tolist(),
        "own": pulled.own_weight.tolist(),
    }
    result = {"usual": usual, "wide": wide, "spread": prior.spread, "columns": columns}
    return {**result, "funnel": {"cans": grid.tolist(), "lines": lines}}, rests_on, ""


def usual_rate(counts: FloatArray, made: FloatArray) -> float:
    """Return the rate per million of the machine in the middle, by cans: one bad machine does not move it.

    Where that is zero, the rate of all together.
    """
    order = np.argsort(counts / made, kind="stable")
    middle = order[int(np.searchsorted(np.cumsum(made[order]), made.sum() / 2.0))]
    return float(counts[middle] / made[middle] or counts.sum() / made.sum()) * 1e6


def _sums(
    measure: Measure, machines: Mapping[int, DaySeries], since: dt.date
) -> tuple[list[int], FloatArray, FloatArray, float, int]:
    """Add up each machine's span; chi-square and degrees of freedom of its days about its own rate, over all."""
    ids, counts, made, chi, dof = [], [], [], 0.0, 0
    for machine, days in machines.items():
        some = (days.day >= np.datetime64(since, "D")) & (days.made > 0)
        if not some.any():
            continue
        seen, cans = measure.counts(days)[some], days.made[some]
        ids.append(machine)
        counts.append(float(seen.sum()))
        made.append(float(cans.sum()))
        if len(seen) > 1 and seen.any():
            scatter = dispersion(seen, cans)
            chi, dof = chi + scatter.index * scatter.dof, dof + scatter.dof
    return ids, np.array(counts), np.array(made), chi, dof
