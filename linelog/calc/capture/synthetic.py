"""Invented captures with a known path, for demonstrations, tests and benches. No figure here was ever measured."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from linelog.calc.capture.motion import Crank, ram_position_mm
from linelog.calc.capture.ring import Ring, design_matrix
from linelog.calc.capture.rows import Rows
from linelog.calc.require import Floats

_TURN_ROUND_DEG = 12.0


@dataclass(frozen=True, slots=True)
class Scenario:
    """What the ram does. Pairs are (x, y).

    `place_um` at mid stroke, `slope` in mm/m, `split_um` forward minus return, `kick_um` just after full forward,
    `drift_um_per_min`, `scatter_um` of one stroke with `memory` of the one before (first-order autoregressive),
    `noise_um` of one sample, `growth_um_per_min` of the common gap. Speed in strokes/min; `wander` is the share by
    which it swings once a minute. The punch is out of the ring before `seen_from_mm` of ram travel.
    """

    strokes: float = 60.0
    speed_per_min: float = 320.0
    rate_hz: float = 2000.0
    place_um: tuple[float, float] = (12.0, -7.0)
    slope: tuple[float, float] = (0.05, -0.08)
    split_um: tuple[float, float] = (6.0, 4.0)
    kick_um: tuple[float, float] = (0.0, 15.0)
    drift_um_per_min: tuple[float, float] = (0.0, 0.0)
    scatter_um: float = 3.0
    memory: float = 0.4
    noise_um: float = 2.0
    growth_um_per_min: float = 0.0
    wander: float = 0.0
    seen_from_mm: float = 0.0
    temperature: float = 40.0
    warming_per_min: float = 0.0
    seed: int = 1


def crank_turns(scenario: Scenario, time_s: Floats) -> Floats:
    """Crank angle running on, in turns, from the rear dead centre at time 0."""
    swing = scenario.wander * 60.0 / (2.0 * np.pi) * np.sin(2.0 * np.pi * time_s / 60.0)
    return scenario.speed_per_min / 60.0 * (time_s + swing)


def true_path_um(scenario: Scenario, crank: Crank, angle_deg: Floats) -> Floats:
    """Place of the ram (2, n) for crank angles in 0..360, without drift, scatter and noise."""
    position = ram_position_mm(crank, angle_deg) - crank.stroke_mm / 2.0
    # +1/2 on the forward stroke, -1/2 on the return, turning over smoothly at both dead centres.
    side = 0.5 * np.tanh(np.sin(np.radians(angle_deg)) / np.sin(np.radians(_TURN_ROUND_DEG)))
    kick = np.exp(-(((angle_deg - 183.0) / 3.0) ** 2))
    pairs = zip(scenario.place_um, scenario.slope, scenario.split_um, scenario.kick_um, strict=True)
    return np.stack([at + slope * position + split * side + jump * kick for at, slope, split, jump in pairs])


def make_rows(scenario: Scenario, ring: Ring, crank: Crank, size: int = 200_000) -> Iterator[Rows]:
    """Yield the samples of a scenario in runs of `size`, in file units, with pulse, crank angle and temperature.

    The pulse begins at the rear dead centre and lasts a fiftieth of a turn. Times begin at a quarter of a stroke.
    """
    rng = np.random.default_rng(scenario.seed)
    count = int(scenario.strokes / scenario.speed_per_min * 60.0 * scenario.rate_hz)
    lies = _scatter(scenario, int(scenario.strokes * (1.0 + scenario.wander)) + 4, rng)
    middle_s = 0.5 * count / scenario.rate_hz
    for first in range(0, count, size):
        time_s = np.arange(first, min(first + size, count)) / scenario.rate_hz
        turns = crank_turns(scenario, time_s) + 0.25
        minutes = (time_s - middle_s) / 60.0
        xy = true_path_um(scenario, crank, turns % 1.0 * 360.0) + lies[:, turns.astype(np.intp)]
        xy += np.outer(scenario.drift_um_per_min, minutes)
        probes = _readings(scenario, ring, xy, minutes, rng)
        if scenario.seen_from_mm > 0.0:
            _take_away(probes, ring, ram_position_mm(crank, turns % 1.0 * 360.0) < scenario.seen_from_mm)
        warmth = scenario.temperature + scenario.warming_per_min * time_s / 60.0
        pulse = (turns % 1.0 < 0.02).astype(np.float64)
        yield Rows(
            time_s, probes, turns % 1.0 * 360.0, pulse, warmth, first + 1, "row", (first + time_s.size) / count
        )


def _scatter(scenario: Scenario, count: int, rng: np.random.Generator) -> Floats:
    """First-order autoregressive places (2, count) of single strokes, of standard deviation `scatter_um`."""
    steps = rng.normal(0.0, 1.0, (2, count))
    out = np.empty_like(steps)
    out[:, 0] = steps[:, 0]
    fresh = np.sqrt(1.0 - scenario.memory**2)
    for stroke in range(1, count):
        out[:, stroke] = scenario.memory * out[:, stroke - 1] + fresh * steps[:, stroke]
    return scenario.scatter_um * out


def _readings(scenario: Scenario, ring: Ring, xy: Floats, minutes: Floats, rng: np.random.Generator) -> Floats:
    moved = design_matrix(ring)[:, :2] @ xy + scenario.growth_um_per_min * minutes
    moved += rng.normal(0.0, 1.0, moved.shape) * scenario.noise_um
    for row, probe in zip(moved, ring.probes, strict=True):
        row -= probe.zero_um
        row /= probe.scale_um_per_unit * ring.target_factor
        np.clip(row, probe.low, probe.high, out=row)
    return moved


def _take_away(probes: Floats, ring: Ring, away: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> None:
    """Put the probes at the far end of their ranges, a volt's worth below anything else where none is stated."""
    for row, probe in zip(probes, ring.probes, strict=True):
        far = probe.low if probe.scale_um_per_unit > 0.0 else probe.high
        row[away] = far if far is not None else -np.sign(probe.scale_um_per_unit) * 10.0
