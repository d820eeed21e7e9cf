"""What stands above its expected count month after month: spoilage of a cause, or a defect found down the line."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from linelog.calc.above_usual import Above, above_usual
from linelog.calc.began import Began
from linelog.plant.models import Machine, Plant
from linelog.production.days import production_day
from linelog.trends import refit
from linelog.trends.models import Fit
from linelog.trends.repeats import onset
from linelog.trends.repeats.rule import Kind, Occasion, Pattern, Problem, Rule

Floats = NDArray[np.float64]
#: Under which name the months of a kind are kept.
KEPT_AS = {Kind.CAUSE: "spoilage by month", Kind.DEFECT: "defects by month"}


@dataclass(frozen=True, slots=True)
class Months:
    """Counts of a plant by whole month: arrays (machines, months); `counts` holds one for each cause or code."""

    machines: tuple[int, ...]
    lines: tuple[int, ...]
    months: tuple[dt.date, ...]
    made: Floats
    counts: dict[int, Floats]


def last_year(plant: Plant, now: dt.datetime) -> tuple[dt.date, dt.date]:
    """Return the first day of the last twelve whole months, and the day after them."""
    until = production_day(plant, now).replace(day=1)
    return until.replace(year=until.year - 1), until


def lines_of(plant: Plant) -> dict[int, int]:
    """Return the line of each machine."""
    return dict(Machine.objects.filter(line__plant=plant).order_by("pk").values_list("pk", "line_id"))


def keep(plant: Plant, kind: Kind, months: Months, now: dt.datetime) -> None:
    """Keep them: adding up a year is too slow for a page."""
    result = {
        "machines": list(months.machines),
        "lines": list(months.lines),
        "months": [month.isoformat() for month in months.months],
        "made": months.made.tolist(),
        "counts": {str(pk): counts.tolist() for pk, counts in months.counts.items()},
    }
    rests_on = {"cans": int(months.made.sum()), "months": len(months.months)}
    refit.keep(plant, KEPT_AS[kind], "", now, rests_on=rests_on, result=result, sentence="")


def kept(plant: Plant, kind: Kind) -> Months:
    """Return the months as the last refit kept them."""
    fit = Fit.objects.filter(plant=plant, kind=KEPT_AS[kind], scope="").first()
    if fit is None or "lines" not in fit.result:
        return Months((), (), (), np.zeros((0, 0)), {})
    told: Mapping[str, Any] = fit.result
    months = tuple(dt.date.fromisoformat(month) for month in told["months"])
    counts = {int(pk): np.array(rows, dtype=float) for pk, rows in told["counts"].items()}
    return Months(tuple(told["machines"]), tuple(told["lines"]), months, np.array(told["made"], dtype=float), counts)


def judge(months: Months, pk: int, rule: Rule) -> Above:
    """Hold the months of a cause or code against what is usual."""
    return above_usual(months.counts[pk], months.made, months.lines, last=rule.last)


def problems_of(months: Months, kind: Kind, rule: Rule) -> dict[int, list[Problem]]:
    """Apply the rule to every machine and cause or code: above what is usual in `out_of` of the `last` months."""
    found: dict[int, list[Problem]] = {}
    for pk in months.counts:
        judged = judge(months, pk, rule)
        for at, machine in enumerate(months.machines):
            one = problem_of(months, kind, pk, judged, at, rule)
            if one is not None:
                found.setdefault(machine, []).append(one)
    return found


def problem_of(months: Months, kind: Kind, pk: int, judged: Above, at: int, rule: Rule) -> Problem | None:
    """Apply the rule to one machine, the one at `at`; None where no month of it was above."""
    if not judged.above[at].any():
        return None
    occasions = tuple(Occasion(months.months[n], bool(judged.above[at, n])) for n in _ran(months, at))
    recent = occasions[-rule.last :]
    return Problem(
        key=f"{kind.value}:{pk}",
        kind=kind,
        pattern=Pattern.ABOVE,
        occasions=occasions,
        times=sum(one.out for one in recent),
        looked_at=len(recent),
        holds=rule.holds(occasions),
        cause_id=pk if kind is Kind.CAUSE else None,
        code_id=pk if kind is Kind.DEFECT else None,
    )


def _ran(months: Months, at: int) -> list[int]:
    """Return the months in which a machine made anything."""
    return [int(n) for n in np.flatnonzero(months.made[at] > 0.0)]


def with_onsets(
    months: Months, found: Mapping[int, Sequence[Problem]], rule: Rule, done: Mapping[int, Mapping[str, dt.date]]
) -> dict[int, list[Problem]]:
    """Put into the problems that hold when they began; `done` as `onset.with_onsets` takes it, by machine.

    Too slow for a page, which reads what the refit stored of it.
    """
    return {
        machine: [
            replace(one, began=_began(months, machine, one, rule, done.get(machine, {}).get(one.key)))
            if one.holds
            else one
            for one in ones
        ]
        for machine, ones in found.items()
    }


def _began(months: Months, machine: int, one: Problem, rule: Rule, done_on: dt.date | None) -> Began:
    pk, at = one.cause_id or one.code_id or 0, months.machines.index(machine)
    judged, ran = judge(months, pk, rule), _ran(months, at)
    counts, expected, quiet = months.counts[pk][at], judged.expected[at], ~judged.above[at]
    quiet &= months.made[at] > 0.0
    own = (counts[quiet].sum() + 1.0) / (expected[quiet].sum() + 1.0)
    after = [ran[n] for n in onset.since_done([months.months[n].toordinal() for n in ran], done_on)]
    seen, usual = counts[after] / judged.wide, expected[after] * own / judged.wide
    return onset.in_months([months.months[n] for n in after], seen.tolist(), usual.tolist())
