"""How signals and their charts read."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from linelog.trends import words
from linelog.trends.control.charts import CUSUM_H, EWMA_WIDTH, Charts
from linelog.trends.control.nearby import Change
from linelog.trends.models.control import Signal
from linelog.trends.rates import MEASURES, Measure
from linelog.web.templatetags.units import count

Rule = Signal.Rule
BY_KEY = {measure.key: measure for measure in MEASURES}


@dataclass(frozen=True, slots=True)
class Line:
    """A signal in a list, with what had changed near it."""

    signal: Signal
    what: str
    rule: str
    changes: tuple[Change, ...]
    state: str
    css: str


def line(signal: Signal, changes: list[Change]) -> Line:
    """Say a signal in a line."""
    return Line(signal, what(signal), rule(signal), tuple(changes), state(signal), css(signal))


def rate_words(measure: Measure, per_million: float) -> str:
    """Write a rate in the measure's own unit."""
    return f"{per_million / measure.divisor:.{measure.decimals}f}"


def what(signal: Signal) -> str:
    """Say the rate, what it is held against, and the cans it rests on."""
    measure = BY_KEY[signal.measure]
    rate, centre = rate_words(measure, signal.rate), rate_words(measure, signal.centre)
    cans = f"{count(signal.counts)} in {signal.made / 1e6:.2f} million cans"
    return f"{measure.name} {rate} {measure.unit} against {centre} before ({cans})"


def rule(signal: Signal) -> str:
    """Say which chart signalled, and from when on."""
    if signal.rule == Rule.LIMIT and signal.limit is not None:
        measure = BY_KEY[signal.measure]
        return f"beyond its control limit of {rate_words(measure, signal.limit)}"
    names = {Rule.EWMA: "weighted mean (EWMA) beyond its limit", Rule.CUSUM: "small lasting shift (CUSUM)"}
    since = f", from {words.date(signal.began_on)} on" if signal.began_on < signal.day else ""
    return f"{names[Rule(signal.rule)]}{since}"


def state(signal: Signal) -> str:
    """Say whether it is open, answered, or no longer a signal."""
    if signal.found:
        return "answered"
    return "open" if signal.holds else "no longer a signal: the counts were changed"


def css(signal: Signal) -> str:
    """Return the class that gives the state its shape."""
    if signal.found:
        return "in"
    return ("out" if signal.up else "unsure") if signal.holds else "none"


def basis(drawn: Charts, step: str, since: dt.date) -> list[str]:
    """Say what the limits of the chart rest on."""
    last = drawn.blocks[-1]
    measure = drawn.measure
    span = f"{words.date(last.base_from)} to {words.date(last.base_until)}"
    sentences = [
        f"The limits of each calendar quarter rest on the 182 days before it. Those of the newest rest on {span}, "
        f"{words.plural(last.base_points, step)}: centre {rate_words(measure, last.centre)} {measure.unit}."
    ]
    if last.widening > 1.0:
        sentences.append(
            f"The counts scatter {last.widening:.1f} times as far as chance alone would make them, so that limits "
            "and sigmas are widened by that much (Laney's correction)."
        )
    which = [block for block in drawn.blocks if block.provisional and block.until >= since]
    if which:
        until = words.date(which[-1].begins)
        sentences.append(
            f"Too little was counted before the quarter from {until} and before: their limits are provisional."
        )
    if float(drawn.counts.mean()) < 5.0:
        sentences.append(
            f"Fewer than five are counted in an ordinary {step}: the charts then signal more often than they should; "
            "take a longer step."
        )
    return sentences


def how_read() -> list[str]:
    """Say how the three charts are read."""
    return [
        "Control limits: three sigma for the cans of each point; one point beyond is a signal. For sudden changes.",
        f"Weighted mean (EWMA, weight 0.2, limits at {EWMA_WIDTH:g} of its sigmas): for changes that last some days.",
        f"Added up (CUSUM, k = 0.5, h = {CUSUM_H:g}): for small shifts that last; it says from when on. "
        "After a signal the sums begin again at zero.",
        "Each of them signals about once in a year or two by chance alone on a machine where nothing changed.",
    ]
