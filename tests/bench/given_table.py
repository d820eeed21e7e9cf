"""What was said of the plants of a given world, counted, and its table."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from linelog.calc.wander.knowledge import SURE_LITTLE

SOON, LATER = 14, 28  # days


@dataclass
class Tally:
    """What was said of the plants of a world.

    said      by dial: chance of a place before a visit, whether it was truly out, whether it was read so
    machines  chance that any of a machine's places is out, and whether one was
    quiet     by measure: signals a year of machines that did nothing
    seen      of a rise: signalled soon, later, and the share of quiet machines that signalled in the same days
    effects   by measure and stations: the stored effect, None where none is told
    pages     of a plant: the lines that are claimed
    visits    by measure and kind: how many, of them claimed lower, claimed higher
    pooled    by measure and group: ratio with its interval
    """

    plants: int = 0
    said: dict[str, list[tuple[float, bool, bool]]] = field(default_factory=lambda: defaultdict(list))
    machines: list[tuple[float, bool]] = field(default_factory=list)
    quiet: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    seen: list[tuple[bool, bool, float]] = field(default_factory=list)
    effects: dict[tuple[str, str], list[dict[str, Any] | None]] = field(default_factory=lambda: defaultdict(list))
    pages: list[list[str]] = field(default_factory=list)
    visits: dict[str, list[int]] = field(default_factory=lambda: defaultdict(lambda: [0, 0, 0]))
    pooled: dict[str, list[tuple[float, float, float]]] = field(default_factory=lambda: defaultdict(list))
    truth: dict[str, Any] = field(default_factory=dict)


def tenths(rows: list[Any]) -> str:
    """Write, by tenth of the chance said, how many points more were true (and found) than said, and of how many."""
    table = np.array(rows, dtype=float)
    words = []
    for tenth in range(10):
        some = table[np.minimum((table[:, 0] * 10.0).astype(int), 9) == tenth]
        off = some[:, 1:].mean(axis=0) - some[:, 0].mean() if len(some) else []
        words.append("/".join(f"{100.0 * one:+.0f}" for one in off) + f" ({len(some)})")
    return "  ".join(words)


def told(rows: list[Any], words: Callable[[float], str]) -> str:
    """Write, by what a page says of so little a log, how many were true, and of how many."""
    by: dict[str, list[bool]] = defaultdict(list)
    for chance, true, *_ in rows:
        by[words(chance)].append(true)
    return "  ".join(f"{said}: {np.mean(some):.0%} ({len(some)})" for said, some in sorted(by.items()))


def show(name: str, tally: Tally) -> None:
    """Print the table of a world."""
    truth = tally.truth
    effect = ", ".join(f"{truth[f'effect_{what}_per_severity']:g}" for what in ("tear_offs", "spoilage"))
    helped = ", ".join(f"{truth['visits_help'][what]:g}" for what in ("tear_offs", "spoilage"))
    print(f"\n== {name}: {tally.plants} plants; a limit of offset {effect} ({truth['effect_of']}); a visit {helped}")
    for part in (_risks, _signals, _effects, _visits):
        for line in part(tally):
            print(f"  {line}", flush=True)


def _risks(tally: Tally) -> Iterator[str]:
    from linelog.trends.due.places import chance_words, machine_chance_words

    for dial, rows in sorted(tally.said.items()):
        yield f"risk of places, {dial}: true/found less said, by tenth  {tenths(rows)}"
        yield f"  true, of those told  {told(rows, lambda chance: chance_words(chance, SURE_LITTLE))}"
    if tally.machines:
        yield f"risk of machines: true less said, by tenth  {tenths(tally.machines)}"
        yield f"  true, of those told  {told(tally.machines, lambda one: machine_chance_words(one, SURE_LITTLE))}"


def _signals(tally: Tally) -> Iterator[str]:
    rates = ", ".join(f"{measure} {np.mean(some):.2f}" for measure, some in tally.quiet.items())
    yield f"signals a machine-year where nothing was done: {rates} ({len(tally.quiet['tear_offs'])} machines)"
    if tally.seen:
        soon, later, chance = np.mean(np.array(tally.seen, dtype=float), axis=0)
        said = f"{soon:.0%} within {SOON} days ({chance:.0%} by chance), {later:.0%} within {LATER}"
        yield f"{len(tally.seen)} rises: seen {said}"


def _effects(tally: Tally) -> Iterator[str]:
    truth = tally.truth
    whole = {
        "tear_offs": truth["effect_tear_offs_per_severity"],
        "spoiled": truth["effect_spoilage_per_severity"],
    }
    for (measure, station), some in tally.effects.items():
        told = [one for one in some if one]
        begins = f"effect {measure:9} {station:13} told {len(told):2} of {len(some):2}"
        if not told:
            yield begins
            continue
        mean, plain = (math.exp(np.mean([math.log(one[part]) for one in told])) for part in ("ratio", "plain"))
        held = {true: sum(one["low"] <= true <= one["high"] for one in told) for true in {1.0, whole[measure]}}
        holds = ", ".join(f"{true:g} in {number}" for true, number in sorted(held.items()))
        shown = [one["ratio"] > 1.0 for one in told if one["shown"]]
        ways = f"claimed higher {shown.count(True)}, lower {shown.count(False)}"
        yield f"{begins}: mean {mean:.2f} (plain {plain:.2f}), interval holds {holds}; {ways}"
    claiming = [", ".join(one) for one in tally.pages if one]
    listed = f": {'; '.join(claiming)}" if truth["effect_of"] == "nothing" and claiming else ""
    yield f"pages that claim stations: {len(claiming)} of {len(tally.pages)}{listed}"


def _visits(tally: Tally) -> Iterator[str]:
    for kind, (number, lower, higher) in tally.visits.items():
        shares = f"lower {lower:4} ({lower / number:6.1%})  higher {higher:4} ({higher / number:6.1%})"
        yield f"visits, {kind:18} {number:5}: {shares}"
    for kind, some in tally.pooled.items():
        ratio, low, high = np.array(some, dtype=float).T
        true = tally.truth["visits_help"]["tear_offs" if kind.startswith("tear_offs") else "spoilage"]
        held = int(((low <= true) & (true <= high)).sum())
        mean = np.exp(np.log(ratio).mean())
        yield f"visits, {kind:23} mean ratio {mean:.3f}, interval holds {true:g} in {held} of {len(some)}"
