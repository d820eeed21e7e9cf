"""Spoilage of one cause that is above its expected count month after month."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy
from django.db.models import BigIntegerField, F, Sum
from django.db.models.fields.json import KeyTextTransform
from django.db.models.functions import Cast, TruncMonth
from numpy.typing import NDArray

from linelog.calc.rates import chance_of_at_least
from linelog.calc.repeat import above_expected
from linelog.plant.models import Plant
from linelog.production.days import production_day
from linelog.production.models import ShiftCount, SpoilageCause
from linelog.trends.models import Fit
from linelog.trends.repeats.onset import in_months
from linelog.trends.repeats.rule import Kind, Occasion, Pattern, Problem, Rule

KIND = "spoilage by month"
LEVEL = 0.05
_TRIM = 0.1  # of either end of the scores, so that the bad machines do not widen what they are held against

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Months:
    """Counts of a plant by whole month: arrays (machines, months); `spoiled` holds one for each cause."""

    machines: tuple[int, ...]
    months: tuple[dt.date, ...]
    made: Floats
    spoiled: dict[int, Floats]


def read(plant: Plant, now: dt.datetime) -> Months:
    """Add up the last twelve whole months by machine and cause, in two queries."""
    today = production_day(plant, now)
    until = today.replace(day=1)
    since = until.replace(year=until.year - 1)
    sorts = list(SpoilageCause.objects.filter(plant=plant).order_by("pk").values_list("pk", "code"))
    sums = {f"c{pk}": Sum(Cast(KeyTextTransform(code, "by_cause"), BigIntegerField())) for pk, code in sorts}
    rows = list(
        ShiftCount.objects.filter(machine__line__plant=plant, day__gte=since, day__lt=until)
        .order_by()
        .annotate(month=TruncMonth("day"))
        .values_list("machine_id", "month")
        .annotate(made=Sum(F("cans") + F("spoiled")), **sums)
    )
    machines, months = sorted({row[0] for row in rows}), sorted({row[1] for row in rows})
    table = np.zeros((1 + len(sorts), len(machines), len(months)))
    for machine, month, *values in rows:
        table[:, machines.index(machine), months.index(month)] = [value or 0 for value in values]
    spoiled = {pk: table[number] for number, (pk, _) in enumerate(sorts, start=1)}
    return Months(tuple(machines), tuple(months), table[0], spoiled)


def kept(plant: Plant) -> Months:
    """Return the months as the last refit kept them: adding up a year of shifts is too slow for a page."""
    fit = Fit.objects.filter(plant=plant, kind=KIND, scope="").first()
    if fit is None or not fit.result:
        return Months((), (), np.zeros((0, 0)), {})
    result = fit.result
    months = tuple(dt.date.fromisoformat(month) for month in result["months"])
    spoiled = {int(pk): np.array(counts, dtype=float) for pk, counts in result["spoiled"].items()}
    return Months(tuple(result["machines"]), months, np.array(result["made"], dtype=float), spoiled)


def as_result(months: Months) -> dict[str, Any]:
    """Return the months as plain values, to be kept."""
    return {
        "machines": list(months.machines),
        "months": [month.isoformat() for month in months.months],
        "made": months.made.tolist(),
        "spoiled": {str(pk): counts.tolist() for pk, counts in months.spoiled.items()},
    }


def expected_counts(spoiled: Floats, made: Floats) -> Floats:
    """Return what each machine would count at the plant's own rate of each month, (machines, months)."""
    total = made.sum(axis=0)
    rate = np.divide(spoiled.sum(axis=0), total, out=np.zeros_like(total), where=total > 0.0)
    return np.asarray(rate * made)


def overspread(spoiled: Floats, expected: Floats) -> float:
    """How far counts of machines scatter about their expectation, as a share of Poisson counts; 1 or more.

    The mean square of the standardised counts after the outer tenth of either end is drawn in (winsorised).
    Source: Spiegelhalter, Statistics in Medicine 24 (2005) 1185, section 4.1.
    """
    some = expected >= 1.0
    if some.sum() < 10:
        return 1.0
    scores = (spoiled[some] - expected[some]) / np.sqrt(expected[some])
    return max(1.0, float(np.mean(np.asarray(scipy.stats.mstats.winsorize(scores, limits=(_TRIM, _TRIM))) ** 2)))


def cause_problems(months: Months, rule: Rule) -> dict[int, list[Problem]]:
    """Apply the rule to every machine and cause: above its expected count in `out_of` of the `last` months."""
    found: dict[int, list[Problem]] = {}
    for cause, spoiled in months.spoiled.items():
        expected = expected_counts(spoiled, months.made)
        wide = overspread(spoiled, expected)
        for number, machine in enumerate(months.machines):
            ran = months.made[number] > 0.0
            if ran.any():
                days = [month for month, made in zip(months.months, ran, strict=True) if made]
                one = _problem(cause, days, spoiled[number][ran] / wide, expected[number][ran] / wide, rule)
                if one is not None:
                    found.setdefault(machine, []).append(one)
    return found


def _problem(cause: int, days: list[dt.date], counts: Floats, expected: Floats, rule: Rule) -> Problem | None:
    whole = np.floor(counts)
    above = chance_of_at_least(whole, expected) < LEVEL
    if not above.any():
        return None
    seen = above_expected(whole, expected, out_of=rule.out_of, last=rule.last, level=LEVEL)
    began = in_months(days, whole.tolist(), expected.tolist()) if seen.repeats else None
    return Problem(
        key=f"cause:{cause}",
        kind=Kind.CAUSE,
        pattern=Pattern.ABOVE,
        occasions=tuple(Occasion(day, bool(out)) for day, out in zip(days, above, strict=True)),
        times=seen.above,
        looked_at=seen.periods,
        holds=seen.repeats,
        cause_id=cause,
        began=began,
    )
