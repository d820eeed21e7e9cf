"""Whether the stated intervals are honest: a known path under drift, noise and a clipped probe, 100 times over.

A 95.45 % interval of a machine whose memory a long capture told must hold the truth in about 95 of 100 captures:
fewer than 90 would be boasting, 100 would be hiding behind a wide interval. The seeds are fixed, so the counts are
always the same.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

import pytest

from linelog.calc.capture.analyse import analyse_rows
from linelog.calc.capture.sure import machine_memory
from tests.calc.capture.known import QUIET, RING, SETUP, codes, rows_of, truth, with_probe

SEEDS = 100
CLIPPING = with_probe(RING, 1, high=0.3)  # the range ends at 30 um, which the ram passes toward the dome
SCENARIO = replace(
    QUIET,
    strokes=80.0,
    rate_hz=700.0,
    drift_um_per_min=(9.0, -6.0),
    growth_um_per_min=5.0,
    place_um=(15.0, -7.0),
    warming_per_min=8.0,
)


FIGURES = [f"{phase} {figure}" for phase in ("forward", "dome", "back") for figure in ("x", "y", "across", "up")]
FIGURES += [f"{phase} drift {axis}" for phase in ("forward", "dome", "back") for axis in "xy"]
FIGURES += [f"{phase} slope {axis}" for phase in ("forward", "back") for axis in "xy"]


def inside(result, known: dict) -> Iterator[tuple[str, bool]]:
    """Whether each figure's interval holds the truth."""
    for name in ("forward", "dome", "back"):
        phase = getattr(result, name)
        for axis, at, offset in (("x", 0, phase.offset.across), ("y", 1, phase.offset.up)):
            mean, drift = getattr(phase, f"ram_{axis}"), getattr(phase, f"drift_{axis}")
            yield f"{name} {axis}", abs(mean.value - known[name][at]) <= mean.half_width
            yield f"{name} {'across' if axis == 'x' else 'up'}", abs(mean.value - known[name][at]) <= offset.U
            yield f"{name} drift {axis}", abs(drift.slope - SCENARIO.drift_um_per_min[at]) <= drift.half_width
            if name != "dome":
                slope = getattr(phase, f"slope_{axis}")
                yield f"{name} slope {axis}", abs(slope.value - known[f"{name} slope"][at]) <= slope.half_width


@pytest.fixture(scope="module")
def hits() -> Counter[str]:
    known, found = truth(SCENARIO), Counter()
    long_ago = replace(SCENARIO, strokes=400.0, seed=SEEDS)
    long = analyse_rows(rows_of(long_ago, CLIPPING), replace(SETUP, ring=CLIPPING))
    told = {"forward": long.forward.memory, "dome": long.dome.memory, "return": long.back.memory}
    setup = replace(SETUP, ring=CLIPPING, memory=machine_memory([told]))
    for seed in range(SEEDS):
        result = analyse_rows(rows_of(replace(SCENARIO, seed=seed), CLIPPING), setup)
        found["clipped"] += "clipped" in codes(result)
        found.update(figure for figure, holds in inside(result, known) if holds)
    return found


def test_the_probe_clips_in_every_capture(hits):
    assert hits["clipped"] == SEEDS


@pytest.mark.parametrize("figure", FIGURES)
def test_the_interval_holds_the_truth_as_often_as_it_says(hits, figure):
    assert 90 <= hits[figure] < SEEDS + ("slope" in figure)  # slopes are judged by the memory of places
