"""What a result reads like in plain words. It says what goes with what, never why."""

from __future__ import annotations

from collections.abc import Mapping

from linelog.calc.calibrated import Corrected
from linelog.calc.misalignment import FEWEST_COUNTS, WIDEST
from linelog.calc.offset_path import MOST_SEVERE
from linelog.calc.sets import BAD_SET
from linelog.trends.evidence.scope import Scope
from linelog.trends.evidence.table import Asked
from linelog.web.templatetags.units import count

NOT_ENOUGH = "Not enough data: "


def _times(ratio: float) -> str:
    return f"{ratio:.2f}" if ratio < 10.0 else f"{ratio:.0f}"


CALLED = (
    "Visits follow high rates here: just before a visit the rate is above what offsets explain, so an offset is "
    "often found large when the rate was high for another reason. No figure would be right, and none is given."
)
NOT_FOUND_AGAIN = (
    f"{NOT_ENOUGH}no station was left by one signed visit and found again by the next with the same carrier."
)


def effect(scope: Scope, found: Mapping[str, float]) -> str:
    """Say how the rate goes with the offset, the error of measurement taken out."""
    noun, times = scope.noun, _interval(found)
    if found["shown"] and found["ratio"] > 1.0:
        return f"One limit more of offset goes with {times} as many {noun}."
    if found["shown"]:
        return f"One limit more of offset goes with fewer {noun}: {times} as many."
    none = f"No link shown: one limit more of offset goes with {times} as many {noun}."
    if "with_visit" not in found:
        return none
    return (
        f"{none} They follow the time since the visit, and so do offsets: taken together, the rate is "
        f"{_times(found['with_visit'])} times as high per limit, and what of that is the offset cannot be told from "
        "what a visit brings by itself."
    )


def _interval(found: Mapping[str, float]) -> str:
    return f"{_times(found['ratio'])} times (95 %: {_times(found['low'])} to {_times(found['high'])})"


def set_power(share: float | None) -> str:
    """Say how often a tooling set that is truly worse would be found."""
    if share is None:
        return ""
    return (
        f"Of sets with {BAD_SET:g} times the rate of the others about {100.0 * share:.0f} in 100 would stand out "
        "here, by how long each was on and how unlike sets are anyway: one that does not is not shown to be good."
    )


def why_they_differ(found: Mapping[str, float] | None, plain: Mapping[str, float] | None) -> str:
    """Say what the figure is without the correction, and why the two are unlike."""
    if not plain:
        return ""
    if not found:
        return f"Without any correction the counts give {_interval(plain)}: not to be relied on."
    return (
        f"Without the correction: {_interval(plain)}. Offsets are measured with an error, here about "
        f"{found['error']:.2f} of a limit each way (learned from what visits left and found again), and only at "
        "visits, which makes a link look weaker than it is. The corrected figure takes that out. It is of offsets "
        f"alone, without tilt, and takes one beyond {MOST_SEVERE:g} limits as {MOST_SEVERE:g}, so that none far "
        "out outweighs all others. Its interval allows for how well the error is known, what machines do by "
        "themselves, what a visit brings by itself, and wear since the tools were put on."
    )


def not_corrected(reason: str) -> str:
    """Say why there is no corrected figure."""
    return NOT_ENOUGH + reason[0].lower() + reason[1:]


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


def too_wide(found: Corrected) -> str:
    """Say that the interval leaves nearly everything open."""
    return (
        f"{NOT_ENOUGH}the interval runs from {_times(found.low)} to {_times(found.high)} times as many, and one that "
        f"spans more than {WIDEST:.0f} to 1 says next to nothing. More cans between visits will narrow it."
    )
