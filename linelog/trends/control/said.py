"""How signals and their charts read."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from linelog.plant.models import Machine, Person
from linelog.trends import words
from linelog.trends.control.charts import EWMA_WIDTH, Charts
from linelog.trends.control.nearby import Change
from linelog.trends.control.queries import signals_for
from linelog.trends.models.control import Signal
from linelog.trends.rates import BY_KEY, Measure
from linelog.web.templatetags.units import count

Rule = Signal.Rule
MOST_OPEN = 3


@dataclass(frozen=True, slots=True)
class Line:
    """A signal in a list, with what had changed near it."""

    signal: Signal
    short: str
    what: str
    since: str
    changes: tuple[Change, ...]
    state: str
    css: str


def line(signal: Signal, changes: list[Change]) -> Line:
    """Say a signal in a line."""
    return Line(signal, short(signal), what(signal), since(signal), tuple(changes), state(signal), css(signal))


def rate_words(measure: Measure, per_million: float) -> str:
    """Write a rate in the measure's own unit."""
    return f"{per_million / measure.divisor:.{measure.decimals}f}"


def short(signal: Signal) -> str:
    """Say it in a few words."""
    against = "its line led to expect" if signal.rule == Rule.LINE else "it was before"
    return f"{BY_KEY[signal.measure].name} {signal.rate / max(signal.centre, 1e-9):.1f} times what {against}"


def what(signal: Signal) -> str:
    """Say the rate, what it is held against, and the cans it rests on."""
    measure = BY_KEY[signal.measure]
    rate, centre = rate_words(measure, signal.rate), rate_words(measure, signal.centre)
    cans = f"{count(signal.counts)} in {signal.made / 1e6:.2f} million cans"
    if signal.rule != Rule.LINE:
        return f"{measure.name} {rate} {measure.unit} against {centre} before ({cans})"
    return (
        f"{measure.name} {rate} {measure.unit}, {signal.rate / signal.centre:.1f} times the {centre} "
        f"that its line led to expect ({cans})"
    )


def since(signal: Signal) -> str:
    """Say from when on it goes, and whether the rate is back."""
    begun = f"from {words.date(signal.began_on)} on" if signal.began_on < signal.day else "on that day alone"
    if signal.rule != Rule.LINE:
        return f"{signal.get_rule_display()}, {begun}"
    back = f"; back by {words.date(signal.back_on)}" if signal.back_on else ""
    return f"{begun}{back}"


def state(signal: Signal) -> str:
    """Say whether it is open, in whose hands, answered, or set aside."""
    if signal.cause:
        return signal.get_cause_display()
    if signal.aside:
        return f"set aside: {signal.get_aside_display()}"
    return f"open, with {signal.owner}" if signal.owner else "open"


def css(signal: Signal) -> str:
    """Return the class that gives the state its shape."""
    if signal.cause:
        return "in"
    if signal.aside:
        return "none"
    return "unsure" if signal.owner else "out"


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
    """Say how the charts are read."""
    return [
        "Added up: each day's counts above what the line's other machines lead to expect of this one, less half of a "
        "30 % rise. What the whole line shares (metal, season) is in what is expected. Beyond its limit it is a "
        "signal. Then it rests until the rate is back, a visit was made, or four weeks have passed and the new level "
        "is what is expected.",
        "Control limits: three sigma for the cans of each point, against the machine's own past. To be looked at: "
        "metal and season push all machines over them, so they raise no signal.",
        f"Weighted mean (EWMA, weight 0.2, limits at {EWMA_WIDTH:g} of its sigmas), against its own past too: for "
        "changes that last some days. It raises no signal either.",
    ]


def open_signals(user: Person, machine: Machine) -> list[Line]:
    """Return the signals of a machine that wait for an answer, the newest first."""
    rows = signals_for(user, {"state": "open", "machine": machine.pk}, dt.date.max)
    return [line(one, []) for one in rows[:MOST_OPEN]]
