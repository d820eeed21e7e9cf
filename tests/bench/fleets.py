"""What the rules find on simulated fleets whose truth is known: python -m tests.bench.fleets

Nothing is asserted here; tests/trends hold the figures to bounds. Every fleet is invented.
"""

from __future__ import annotations

import datetime as dt
import math
import os
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.bench import fleet_of_rates

SEEDS = 50
START = dt.datetime(2025, 1, 1, 8, tzinfo=dt.UTC)


@dataclass(frozen=True, slots=True)
class Planted:
    """What is wrong with one machine of a simulated fleet: in which pattern, at which station (None: at all)."""

    pattern: str
    station: int | None


SOUND = Planted("", None)
FLEET = (
    *[Planted("same_way", 2)] * 3,
    *[Planted("scattered", 3)] * 3,
    *[Planted("up", None)] * 3,
    *[Planted("thermal", 4)] * 3,
    *[SOUND] * 28,
)
STATIONS, VISITS, LIMIT_UM, NOISE_UM, MILLION = 7, 14, 38.0, 2.0, 14.0


def machine_history(rng: np.random.Generator, planted: Planted) -> Any:
    """Simulate a machine: its stations wander, are found with the dial's noise, and are put right where out."""
    from linelog.trends.repeats.history import AtVisit, Found, History, Series

    state = rng.normal(0.0, 0.3 * LIMIT_UM, (STATIONS, 2))
    last: tuple[AtVisit, list[Any]] | None = None
    found: list[list[Any]] = [[] for _ in range(STATIONS)]
    for number in range(VISITS):
        strokes = MILLION * rng.uniform(0.7, 1.3)
        state += 0.04 * LIMIT_UM * math.sqrt(strokes) * rng.normal(size=state.shape)
        state += _fault(rng, planted, strokes)
        at = START + dt.timedelta(days=45 * number)
        visit = AtVisit(number, 1, at, at.date(), float(rng.normal(41.0, 4.0)), float(rng.normal(24.0, 3.0)))
        seen = state + _at_once(rng, planted, visit) + rng.normal(0.0, NOISE_UM, state.shape)
        values = [_value(visit, station, xy) for station, xy in enumerate(seen)]
        for station, value in enumerate(values):
            before = (None, None) if last is None else (last[1][station], last[0])
            found[station].append(Found(visit, value, *before, strokes))
            if value.verdict == "out":
                state[station] -= seen[station] - rng.normal(0.0, NOISE_UM, 2)
        left = state + _at_once(rng, planted, visit) + rng.normal(0.0, NOISE_UM, state.shape)
        last = (visit, [_value(visit, station, xy) for station, xy in enumerate(left)])
    return History(1, tuple(Series(station, "static", tuple(ones)) for station, ones in enumerate(found)))


def _fault(rng: np.random.Generator, planted: Planted, strokes: float) -> Any:
    moved = np.zeros((STATIONS, 2))
    if planted.pattern == "same_way":
        moved[planted.station] = np.array([-0.3, -0.95]) * 0.11 * LIMIT_UM * strokes
    if planted.pattern == "up":
        moved[:, 1] = 0.10 * LIMIT_UM * strokes
    return moved


def _at_once(rng: np.random.Generator, planted: Planted, visit: Any) -> Any:
    """What shows at this visit alone: play, warmth."""
    shown = np.zeros((STATIONS, 2))
    if planted.pattern == "scattered":
        toward = rng.uniform(0.0, 2.0 * math.pi)
        shown[planted.station] = 1.8 * LIMIT_UM * np.array([math.sin(toward), math.cos(toward)])
    if planted.pattern == "thermal":
        shown[planted.station, 1] = 0.45 * LIMIT_UM * (visit.oil_c - 41.0)
    return shown


def _value(visit: Any, station: int, xy: Any) -> Any:
    from linelog.alignment.standing import Value
    from linelog.calc.verdict import judge

    radial, expanded = float(np.hypot(*xy)), 2.0 * NOISE_UM
    judged = judge(radial, expanded, LIMIT_UM)
    place = (visit.pk, visit.at, station, "", "as_found", "static")
    return Value(*place, *map(float, xy), radial, expanded, LIMIT_UM, judged.verdict.value, judged.severity, False)


def found_at(history: Any, planted: Planted) -> tuple[bool, bool, int]:
    """Return whether the planted problem was found, whether in its pattern, and how many others were; parts aside."""
    from linelog.trends.repeats.rule import ALL_TOGETHER, Rule, problems, station_key

    holds = {one.key: one for one in problems(history, Rule(3, 5)) if one.holds}
    wanted = ALL_TOGETHER if planted.station is None else station_key(planted.station, "static")
    mine = holds.pop(wanted, None) if planted.pattern else None
    others = [one for one in holds.values() if not one.part]
    return mine is not None, mine is not None and mine.pattern == planted.pattern, len(others)


def repeat_rule(seeds: int = SEEDS) -> dict[str, float]:
    """Return how often planted problems are found and rightly named, and how often sound stations are taken so."""
    hits, named, false, planted_all, sound = Counter[str](), Counter[str](), 0, Counter[str](), 0
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        for planted in FLEET:
            hit, right, others = found_at(machine_history(rng, planted), planted)
            false += others
            sound += STATIONS if planted is SOUND else STATIONS - 1 if planted.station is not None else 0
            if planted.pattern:
                planted_all[planted.pattern] += 1
                hits[planted.pattern] += hit
                named[planted.pattern] += right
    rates = {f"{pattern}: found": hits[pattern] / count for pattern, count in planted_all.items()}
    rates |= {f"{pattern}: in its pattern": named[pattern] / count for pattern, count in planted_all.items()}
    all_planted = sum(planted_all.values())
    return rates | {
        "found, all": sum(hits.values()) / all_planted,
        "in its pattern, all": sum(named.values()) / all_planted,
        "false alarms, a sound station": false / sound,
    }


def shown(name: str, rates: dict[str, float]) -> Iterator[str]:
    """Yield lines to print."""
    yield f"{name}, {SEEDS} seeds"
    yield from (f"  {what:36}{100.0 * rate:7.2f} %" for what, rate in rates.items())


PARTS: dict[str, Callable[[], dict[str, float]]] = {
    f"repeat problems, {len(FLEET)} machines of {STATIONS} stations, {VISITS} visits": repeat_rule,
    "severity against a rate, 8 machines of 24 stretches": fleet_of_rates.misalignment,
}


def main() -> None:
    """Simulate and print."""
    import django

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
    django.setup()
    for name, part in PARTS.items():
        print("\n".join(shown(name, part())), flush=True)


if __name__ == "__main__":
    main()
