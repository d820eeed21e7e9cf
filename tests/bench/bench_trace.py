"""Where misread marks lead on invented plants of two makers: python -m tests.bench.bench_trace [plants of each]

'As typed' takes a mark at its word; 'with odds' is what a finding's page says. Shares are of all found cans.
"""

from __future__ import annotations

import datetime as dt
import sys
from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from linelog.calc.misread import USUAL_PAIRS, Misreading, lookalikes
from linelog.trends.bearing import Bearers, Bearing
from linelog.trends.likely import weighed
from linelog.trends.mark_evidence import Evidence, Known, count_marks
from linelog.trends.tracing import Asked, Leads, Traced, led_to, trace
from tests.bench import misread_marks
from tests.bench.misread_marks import FIRST, MAKERS, ON_A_LINE, Found, Plant

FOUND = 1_500


@dataclass(slots=True)
class Tally:
    """What came of found cans: where they lead by the mark as typed and with odds, and what was said of chances."""

    typed: Counter[str] = field(default_factory=Counter)
    odds: Counter[str] = field(default_factory=Counter)
    said: list[tuple[float, bool]] = field(default_factory=list)
    cans: int = 0
    choices: Counter[str] = field(default_factory=Counter)

    def share(self, *names: str) -> float:
        """Return a share of all with odds, in per cent."""
        return 100.0 * sum(self.odds[name] for name in names) / self.cans


def tally(plant: Plant, into: Tally) -> None:
    """Lead all cans of a plant to their machines, each by what was found of others."""
    bearers = Bearers(Bearing(f.mark, f.machine, f"BM {f.machine + 1}", _line(f.machine), f.starts, f.ends)
                      for f in plant.fits)  # fmt: skip
    asked = [Asked(one.typed, one.day, None, one.code, pk) for pk, one in enumerate(plant.found, start=1)]
    known = [
        Known(one.pk, one.code_id, machine, one.day) for one in asked if (machine := led_to(one, bearers)) is not None
    ]
    days = [FIRST + dt.timedelta(days=day) for day in range(misread_marks.DAYS)]
    cans = {machine: dict(zip(days, made.tolist(), strict=True)) for machine, made in enumerate(plant.cans)}
    how = Misreading(pairs=lookalikes(USUAL_PAIRS))
    typed = [(one.mark, one.day, None) for one in asked if "?" not in one.mark]
    evidence = Evidence(known, cans, how, count_marks(typed, bearers, how))
    for one, found in zip(asked, plant.found, strict=True):
        plain = trace(one, bearers)
        _count(into, found, plain, weighed(one, plain, bearers, evidence))


def _line(machine: int) -> str:
    return f"Line {machine // ON_A_LINE + 1}"


def _count(into: Tally, found: Found, plain: Traced, with_odds: Traced) -> None:
    into.cans += 1
    into.typed[_of(plain, found)] += 1
    into.odds[_of(with_odds, found)] += 1
    likely = with_odds.likely
    assert likely is not None
    into.said += [(odd.chance, odd.bearing.machine_id == found.machine) for odd in likely.offered]
    fit = [odd for odd in likely.offered if odd.fits]
    if len(fit) > 1:
        oldest = min(fit, key=lambda odd: (odd.bearing.starts_on, odd.bearing.mark))
        into.choices.update(
            several=1,
            by_age=oldest.bearing.machine_id == found.machine,
            by_odds=fit[0].bearing.machine_id == found.machine,
            by_share=max(fit, key=lambda odd: odd.like).bearing.machine_id == found.machine,
        )


def _of(traced: Traced, found: Found) -> str:
    named = [one.machine_id for one in traced.candidates]
    if traced.leads is Leads.NONE:
        return "none"
    where = "first" if named[0] == found.machine else "named" if found.machine in named else "not named"
    return f"{traced.leads.name}, {where}"


def told(name: str, tally_: Tally) -> str:
    """Say what came of it."""
    typed = {key: f"{100.0 * count / tally_.cans:.1f} %" for key, count in sorted(tally_.typed.items())}
    odds = {key: f"{100.0 * count / tally_.cans:.1f} %" for key, count in sorted(tally_.odds.items())}
    several = tally_.choices
    lines = [f"{name}: {tally_.cans} cans", f"  as typed   {typed}", f"  with odds  {odds}"]
    if several["several"]:
        shares = {
            key: f"{100.0 * several[key] / several['several']:.0f} %" for key in ("by_age", "by_share", "by_odds")
        }
        lines.append(f"  true one first of several that fit ({several['several']}): {shares}")
    chances, true = np.array([row[0] for row in tally_.said]), np.array([row[1] for row in tally_.said])
    for low, high in ((0, 0.1), (0.1, 0.3), (0.3, 0.5), (0.5, 0.7), (0.7, 0.9), (0.9, 0.98), (0.98, 1.01)):
        of = (chances >= low) & (chances < high)
        if of.any():
            said = f"  said {low:.0%}-{min(high, 1):.0%}: mean {chances[of].mean():.1%}"
            lines.append(f"{said}, true {true[of].mean():.1%} of {of.sum()}")
    return "\n".join(lines)


def main() -> None:
    """Print what came of so many plants of each maker."""
    plants = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    for name, maker in MAKERS.items():
        so_far = Tally()
        for seed in range(plants):
            tally(maker(np.random.default_rng([seed, 12]), FOUND), so_far)
        print(told(name, so_far), flush=True)


if __name__ == "__main__":
    main()
