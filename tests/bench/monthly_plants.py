"""Invented counts by machine and month in which no machine has a problem, and one that is put in.

`causes`: spoilage of eight causes. Machines differ by up to a third, months scatter, lots of metal go over a line.
`findings`: ten defect codes, from one occasion in two years to some a month.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Rng = np.random.Generator
MACHINES, MONTHS = 12, 24
LINES = [1] * 6 + [2] * 6


def causes(rng: Rng) -> tuple[Floats, list[Floats]]:
    """Cans made (machines, months), and counts of each cause alike."""
    made, spread, found = rng.uniform(7e6, 13e6, (MACHINES, MONTHS)), rng.uniform(0.05, 0.3), []
    for _ in range(8):
        own, month = rng.normal(0.0, spread, (MACHINES, 1)), rng.uniform(0.03, 0.12)
        lot = 0.08 * rng.standard_t(4, (2, MONTHS))[[line - 1 for line in LINES]]
        rate = 10 ** rng.uniform(-6.5, -4.2) * np.exp(own + rng.normal(0.0, month, made.shape) + lot)
        found.append(rng.poisson(made * rate).astype(float))
    return made, found


def findings(rng: Rng) -> tuple[Floats, list[Floats]]:
    """Cans made (machines, months), and occasions of each code alike."""
    made, found = rng.uniform(7e6, 13e6, (MACHINES, MONTHS)), []
    for _ in range(10):
        often = 10 ** rng.uniform(-1.4, 0.6) / 1e7
        lot = rng.normal(0.0, 0.3, (2, MONTHS))[[line - 1 for line in LINES]]
        rate = often * np.exp(rng.normal(0.0, 0.25, (MACHINES, 1)) + lot)
        found.append(rng.poisson(made * rate).astype(float))
    return made, found


MAKERS: dict[str, Callable[[Rng], tuple[Floats, list[Floats]]]] = {"causes": causes, "findings": findings}


def rises(rng: Rng, counts: Floats, ratio: float) -> Iterator[tuple[int, Floats]]:
    """One machine has so many times its counts in the last five months."""
    machine, risen = int(rng.integers(MACHINES)), counts.copy()
    risen[machine, -5:] = rng.poisson(counts[machine, -5:] * ratio)
    yield machine, risen
