"""How a station stands, in whole sentences: both what was measured and what it does when running, in one view."""

from __future__ import annotations

import math

from linelog.alignment.results.status import Figure, StationStatus
from linelog.calc.frame import direction_words
from linelog.calc.readings import View
from linelog.calc.station_state import Counts, Running, State, running_says
from linelog.calc.units import Unit
from linelog.calc.verdict import Verdict
from linelog.web.units import show_um

UPRIGHT_DEG = 15.0  # nearer than this to 12 or 6 an offset is said to be above or below

Both = tuple[Verdict | None, Running]
#: Measured verdict (None: not measured) and what is expected when running; {off} is where it is expected.
EXPECTED: dict[Both, str] = {
    (Verdict.IN, Running.OUT): "In as measured, out when running: expected {off}.",
    (Verdict.NOT_PROVEN, Running.OUT): "Not proven as measured, out when running: expected {off}.",
    (Verdict.OUT, Running.OUT): "Out as measured and out when running: expected {off}.",
    (Verdict.IN, Running.PROBABLY_OUT): "In as measured, probably out when running: measure it. Expected {off}.",
    (Verdict.NOT_PROVEN, Running.PROBABLY_OUT): (
        "Not proven as measured, probably out when running: measure it. Expected {off}."
    ),
    (Verdict.OUT, Running.PROBABLY_OUT): "Out as measured, probably out when running too: expected {off}.",
    (Verdict.IN, Running.NOT_PROVEN): "In as measured, not proven when running: expected {off}.",
    (Verdict.NOT_PROVEN, Running.NOT_PROVEN): "Not proven, neither as measured nor when running: expected {off}.",
    (Verdict.OUT, Running.NOT_PROVEN): "Out as measured, not proven when running: expected {off}.",
    (Verdict.IN, Running.IN): "In as measured and when running: expected {off}.",
    (Verdict.NOT_PROVEN, Running.IN): "Not proven as measured, in when running: expected {off}.",
    (Verdict.OUT, Running.IN): "Out as measured, in when running: expected {off}.",
}
#: The same with a running value that was measured.
RAN: dict[Both, str] = {
    (Verdict.IN, Running.OUT): "In at rest, out when running: measured {off}.",
    (Verdict.NOT_PROVEN, Running.OUT): "Not proven at rest, out when running: measured {off}.",
    (Verdict.OUT, Running.OUT): "Out at rest and out when running: measured {off}.",
    (None, Running.OUT): "Out when running: measured {off}.",
    (
        Verdict.IN,
        Running.PROBABLY_OUT,
    ): "In at rest, probably out when running: measure more strokes. Measured {off}.",
    (Verdict.NOT_PROVEN, Running.PROBABLY_OUT): (
        "Not proven at rest, probably out when running: measure more strokes. Measured {off}."
    ),
    (Verdict.OUT, Running.PROBABLY_OUT): (
        "Out at rest, probably out when running: measure more strokes. Measured {off}."
    ),
    (None, Running.PROBABLY_OUT): "Probably out when running: measure more strokes. Measured {off}.",
    (Verdict.IN, Running.NOT_PROVEN): "In at rest, not proven when running: measured {off}.",
    (Verdict.NOT_PROVEN, Running.NOT_PROVEN): "Not proven, neither at rest nor when running: measured {off}.",
    (Verdict.OUT, Running.NOT_PROVEN): "Out at rest, not proven when running: measured {off}.",
    (None, Running.NOT_PROVEN): "Not proven when running: measured {off}.",
    (Verdict.IN, Running.IN): "In at rest and when running: measured {off}.",
    (Verdict.NOT_PROVEN, Running.IN): "Not proven at rest, in when running: measured {off}.",
    (Verdict.OUT, Running.IN): "Out at rest, in when running: measured {off}.",
    (None, Running.IN): "In when running: measured {off}.",
}
MEASURED = {
    Verdict.IN: "In as measured: {off}.",
    Verdict.NOT_PROVEN: "Not proven as measured: {off}.",
    Verdict.OUT: "Out as measured: {off}.",
}
PLAIN = {
    State.NOT_MEASURED: "Not measured yet.",
    State.NOT_JUDGED: "Not judged: a dial that rides in a bushing sinks with it.",
    State.READ_AGAIN: "Read it again: the readings are doubtful, so there is no verdict.",
}


def stands_words(status: StationStatus, unit: Unit, view: View = View.CRANK) -> str:
    """Say how a station stands in one sentence, with the figure that decides it."""
    if status.state is State.NOT_ALL:
        return status.unswept[0].sentence
    if status.state in PLAIN:
        return PLAIN[status.state]
    measured = status.measured.judged.verdict if status.measured else None
    running = status.running
    if running is None:
        figure = status.measured
        return MEASURED[figure.judged.verdict].format(off=off_words(figure, unit, view)) if figure else ""
    words = EXPECTED if status.ran is None else RAN
    return words[measured, running_says(running.judged)].format(off=off_words(running, unit, view))


def off_words(figure: Figure, unit: Unit, view: View) -> str:
    """Say where a component lies: "0.140 mm below the ram line"; or how far it tilts, where that decides."""
    if figure.by_tilt:
        return f"{figure.judged.severity:.2f} of the tilt limit"
    size = show_um(figure.radial_um, unit, with_unit=True)
    if size == show_um(0.0, unit, with_unit=True):
        return "on the ram line"
    return f"{size} {where_words(figure.x_um, figure.y_um, view)}"


def where_words(x_um: float, y_um: float, view: View) -> str:
    """Say on which side of the ram line a point lies; above and below are the same in every view."""
    if x_um == 0.0 and y_um == 0.0:
        return "from the ram line"
    off_deg = math.degrees(math.atan2(abs(x_um), abs(y_um)))
    if off_deg <= UPRIGHT_DEG:
        return "above the ram line" if y_um > 0 else "below the ram line"
    return f"off the ram line {direction_words(x_um, y_um, view)}"


CANNOT_KNOW = (
    "What this station does when the machine runs cannot be known: no ram is on record and there are fewer than 3 "
    "pairs of static and running values. Take a running measurement."
)


def known_words(status: StationStatus) -> str:
    """Say what the running figure rests on, or that it cannot be known."""
    if status.ran is not None:
        return "What it does when running was measured, and rests on no expectation."
    if status.learned:
        return f"What is expected rests on {status.learned} pairs of static and running values of this station."
    if status.known:
        return (
            "What is expected rests on the ram's droop alone: a running measurement would prove it, and 3 pairs of "
            "static and running values would take its place."
        )
    return CANNOT_KNOW


def is_expected(status: StationStatus) -> bool:
    """Whether the state rests on what is expected."""
    return status.stands.counts is Counts.EXPECTED
