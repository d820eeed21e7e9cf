"""What a result reads like in plain words. It says what goes with what, never why."""

from __future__ import annotations

from linelog.calc.misalignment import FEWEST_COUNTS, WIDEST, Misalignment
from linelog.trends.evidence.scope import Scope
from linelog.trends.evidence.table import Asked
from linelog.web.templatetags.units import count

NOT_ENOUGH = "Not enough data: "


def _times(ratio: float) -> str:
    return f"{ratio:.2f}" if ratio < 10.0 else f"{ratio:.0f}"


def effect(scope: Scope, found: Misalignment) -> str:
    """Say how the rate goes with severity."""
    interval = f"(95 %: {_times(found.low)} to {_times(found.high)})"
    noun = scope.noun
    if found.low > 1.0:
        return f"One unit of severity more goes with {_times(found.ratio)} times as many {noun} {interval}."
    if found.high < 1.0:
        return f"One unit of severity more goes with fewer {noun}: {_times(found.ratio)} times as many {interval}."
    return (
        f"No link shown: one unit of severity more goes with {_times(found.ratio)} times as many {noun} {interval}."
    )


def not_enough(scope: Scope, asked: Asked, reason: str) -> str:
    """Say why there is no result, and where it can be told, what to wait for."""
    rows = asked.rows
    if len(rows.counts) == 0:
        return (
            f"{NOT_ENOUGH}no cans were counted between two signed visits that measured this. It takes a visit, cans, "
            "and the next visit."
        )
    total = int(rows.counts.sum())
    if total == 0:
        return (
            f"{NOT_ENOUGH}no {scope.noun} in {count(rows.cans.sum())} cans, so there is nothing to hold it against."
        )
    if total < FEWEST_COUNTS:
        return (
            f"{NOT_ENOUGH}{total} {scope.noun} in {count(rows.cans.sum())} cans, and {FEWEST_COUNTS} are needed. "
            "More cans will tell."
        )
    return NOT_ENOUGH + reason[0].lower() + reason[1:]


def too_wide(found: Misalignment) -> str:
    """Say that the interval leaves nearly everything open."""
    return (
        f"{NOT_ENOUGH}the interval runs from {_times(found.low)} to {_times(found.high)} times as many, and one that "
        f"spans more than {WIDEST:.0f} to 1 says next to nothing. More cans between visits will narrow it."
    )
