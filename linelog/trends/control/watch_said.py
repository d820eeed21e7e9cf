"""What a watch says of itself: its budget, how soon it sees a rise, what it rests on, and who is not watched."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from linelog.calc.line_watch import RISE
from linelog.calc.watch_design import FEWEST_YEARS, LONGEST, SOON
from linelog.trends import words
from linelog.trends.control.watched import Standing
from linelog.trends.models import Fit
from linelog.trends.rates import BY_KEY, Measure

QUICK = 0.5  # with fewer of the rises seen in time a watch is called slow. Own choice.
WHY = {
    Standing.ALONE: "no other machine of its line makes cans: a rise of its own can't be told from metal and season",
    Standing.NOT_COUNTED: "no counts in the last four weeks",
    Standing.NEW: "too few counts yet to know what is usual for it",
    Standing.RAISED: "it signalled and the rate is not back yet",
}
LEFT_OUT = (Standing.ALONE, Standing.NOT_COUNTED, Standing.NEW)


def about(measure: Measure, fit: Fit | None) -> list[str]:
    """Say what the watch of a count keeps to and can see."""
    if fit is None:
        return [f"{measure.name}: not watched yet. That begins after the first counts."]
    result = fit.result
    if result["holds"] is None:
        years = f"{FEWEST_YEARS:g} machine-years"
        return [f"{measure.name}: no signals yet, since too little was counted to set limits by: {years} are needed."]
    if not result["holds"]:
        return [f"{measure.name}: the budget can't be held: this past signals oftener at any limit. None are raised."]
    return [" ".join([_budget(measure, fit), _delay(result["delay"])])]


def _budget(measure: Measure, fit: Fit) -> str:
    result = fit.result
    rests = f"{result['years']:.0f} machine-years counted"
    until = "so far" if result["provisional"] else f"before {result['quarter']}"
    signals = f"{result['budget']:g} {'signal' if result['budget'] == 1.0 else 'signals'} a machine-year"
    return f"{measure.name}: limits for {signals}, found on the {rests} {until}."


def _delay(delay: dict[str, Any] | None) -> str:
    if delay is None:
        return "How soon a rise is seen can't be told yet: that past is too short to try it on."
    median = f"fewer than half in {LONGEST} days"
    if delay["median"]:
        median = f"half of them in {words.plural(round(delay['median']), 'day')}"
    seen = (
        f"Of {delay['rises']} rises of {_percent(RISE)} added to it, {_percent(delay['soon'])} were seen within "
        f"{SOON} days, {median}; without a rise, {_percent(delay['by_chance'])} of such fortnights hold a signal by "
        "chance."
    )
    if delay["soon"] < QUICK:
        seen += " Rates here wander or scatter so much by themselves that nothing is seen quickly."
    return seen


def of_plants(fits: Sequence[Fit]) -> list[str]:
    """Say of every count what its watch keeps to and can see."""
    told = [fit for fit in fits if fit.result]
    if not told:
        return ["No machine is watched yet. That begins after the first counts."]
    many = len({fit.plant_id for fit in told}) > 1
    return [(f"{fit.plant}. " if many else "") + one for fit in told for one in about(BY_KEY[fit.scope], fit)]


def left_out(fits: Sequence[Fit], names: dict[int, str]) -> list[str]:
    """Say which machines are not watched, and why."""
    by_reason: dict[str, set[str]] = {}
    for fit in fits:
        for machine, code in fit.result.get("standing", {}).items():
            if code in LEFT_OUT and int(machine) in names:
                by_reason.setdefault(code, set()).add(names[int(machine)])
    return [f"Not watched: {_named(sorted(some))}; {WHY[code]}." for code, some in sorted(by_reason.items())]


def of_machine(fit: Fit | None, machine: int) -> str:
    """Say why a machine's sum rests, or nothing where it is watched."""
    code = fit.result["standing"].get(str(machine), Standing.NEW) if fit else Standing.NEW
    return "" if code == Standing.WATCHED else f"Not watched now: {WHY[code]}."


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %"


def _named(names: list[str]) -> str:
    some = names if len(names) <= 8 else [*names[:7], words.plural(len(names) - 7, "other machine")]
    return words.listed(some)
