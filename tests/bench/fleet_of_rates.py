"""Simulated fleets whose effect of severity is known, and how often its 95 % interval is right. All invented."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from linelog.calc.misalignment import SEVERITY, Rows, hold_against

SEEDS = 50


def fleet(
    rng: np.random.Generator,
    *,
    effect: float,
    spread: float,
    machines: int = 8,
    stretches: int = 24,
    metal: float = 1.0,
    drifting: bool = False,
) -> Rows:
    """A fleet: each machine with a rate of its own, severities that wander, clustered counts.

    spread    variance of a count is mean + spread * mean^2
    metal     from half way on all rates are so many times as high
    drifting  severities rise over the whole time, on every machine
    """
    n = machines * stretches
    machine, period = np.repeat(np.arange(machines), stretches), np.tile(np.arange(stretches), machines)
    severity = np.abs(rng.normal(0.7, 0.35, n)) + (1.2 * period / stretches if drifting else 0.0)
    cans = rng.integers(2_000_000, 12_000_000, n)
    level = rng.normal(0.0, 0.3, machines)[machine] + rng.normal(0.0, 0.1, stretches)[period]
    level = level + np.log(metal) * (period >= stretches // 2)
    mean = cans * 35e-6 * np.exp(level + effect * severity)
    counts = rng.poisson(mean) if spread == 0.0 else rng.negative_binomial(1 / spread, 1 / (1 + spread * mean))
    return Rows(counts, cans, severity, machine, period, np.ones(n))


@dataclass(frozen=True, slots=True)
class Right:
    """Share of fleets whose interval covers the truth, and the mean of the effects found."""

    covered: float
    mean: float
    fleets: int


def interval_rates(seeds: int, *, effect: float, periods: bool = True, **more: Any) -> Right:
    """Fit so many fleets; `periods` False leaves the time out, as a careless analysis would."""
    covered, found = 0, []
    for seed in range(seeds):
        rows = fleet(np.random.default_rng(seed), effect=effect, **more)
        rows = rows if periods else replace(rows, period=np.zeros_like(rows.period))
        one = hold_against(rows).fit.effect(SEVERITY)
        covered += one.low <= effect <= one.high
        found.append(one.coefficient)
    return Right(covered / seeds, float(np.mean(found)), seeds)


def misalignment() -> dict[str, float]:
    """Work out how often the interval is right, with and without what goes with the time alone taken out."""
    cases: dict[str, dict[str, Any]] = {
        "true effect covered, chance alone": {"effect": 0.3, "spread": 0.0},
        "true effect covered, clusters": {"effect": 0.3, "spread": 0.05},
        "metal not blamed on alignment": {"effect": 0.0, "spread": 0.02, "metal": 2.0, "drifting": True},
        "the same with the time left out": {
            "effect": 0.0,
            "spread": 0.02,
            "metal": 2.0,
            "drifting": True,
            "periods": False,
        },
    }
    return {name: interval_rates(SEEDS, **case).covered for name, case in cases.items()}
