"""What was said before visits and what they found, as its page shows it: a table, a chart, and how far it goes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linelog.calc.wander.bands import Band
from linelog.calc.wander.knowledge import FEWEST
from linelog.plant.models import Person, Plant
from linelog.trends.due.knowledge import KIND, curve_of
from linelog.trends.models import Fit
from linelog.web import plotly
from linelog.web.plotly import Part, typed
from linelog.web.templatetags.units import count

#: Fewer in a band tell nothing; a curve of so few says no more than its intervals. No source.
FEW_IN_A_BAND, FEW = 20, 200


@dataclass(frozen=True, slots=True)
class Row:
    """A band as it is read."""

    said: str
    number: str
    expected: str
    out: str
    share: str
    interval: str
    word: str
    css: str


@dataclass(frozen=True, slots=True)
class Curve:
    """The curve of one plant; `sentences` say what it is and how far it goes."""

    plant: Plant
    rows: tuple[Row, ...]
    sentences: tuple[str, ...]


def fits_for(user: Person) -> list[Fit]:
    """Return what is kept of each plant that a person may see."""
    return list(Fit.objects.for_user(user).filter(kind=KIND).select_related("plant").order_by("plant__name"))


def curves(user: Person) -> list[Curve]:
    """Return the curves of the plants that a person may see."""
    return [_curve(fit) for fit in fits_for(user)]


def _curve(fit: Fit) -> Curve:
    found, again = curve_of(fit), fit.rests_on["again"]
    if again < FEWEST:
        return Curve(
            fit.plant,
            (),
            (
                f"Stations were found again after a visit {again} times, with strokes counted between. A risk needs "
                f"{FEWEST}: until then none is told.",
            ),
        )
    return Curve(fit.plant, tuple(_row(one) for one in found), tuple(_sentences(fit, found)))


def _sentences(fit: Fit, found: list[Band]) -> list[str]:
    on, known = fit.rests_on, fit.result["knowledge"]
    said = [
        f"{count(on['again'])} times a visit found a station again, at {count(on['places'])} places of "
        f"{count(on['machines'])} machines, reckoned on {fit.made_at:%Y-%m-%d}."
    ]
    most = max(found, key=lambda one: one.number if one.least >= 0.1 else 0)
    if most.least >= 0.1:
        said.append(f"Of {count(most.number)} stations said {_band(most)}, {count(most.out)} were found out.")
    error = float(np.dot(known["likely"], known["errors"]))
    said.append(
        f"A reading is really off about {error:.1f} times as far as its own uncertainty says: that is taken out of "
        "how the stations wander."
    )
    if on["again"] < FEW:
        said.append(f"With fewer than {FEW} this tells little: read the intervals.")
    return said


def _band(one: Band) -> str:
    return f"{100.0 * one.least:.0f}–{100.0 * one.most:.0f} %"


def _row(one: Band) -> Row:
    mean = one.expected / one.number
    word, css = ("as said", "in") if one.low <= mean <= one.high else ("not as said", "unsure")
    if one.number < FEW_IN_A_BAND:
        word, css = "too few to tell", "none"
    return Row(
        said=_band(one),
        number=count(one.number),
        expected=f"{one.expected:.1f}",
        out=count(one.out),
        share=f"{100.0 * one.out / one.number:.0f} %",
        interval=f"{100.0 * one.low:.0f} to {100.0 * one.high:.0f} %",
        word=word,
        css=css,
    )


def curve_figure(fit: Fit) -> Part | None:
    """Return found against said, in percent, with intervals; None where there is no curve."""
    found = [one for one in curve_of(fit) if one.number >= FEW_IN_A_BAND]
    if fit.rests_on["again"] < FEWEST or not found:
        return None
    said = 100.0 * np.array([one.expected / one.number for one in found])
    share = 100.0 * np.array([one.out / one.number for one in found])
    low, high = (100.0 * np.array([getattr(one, name) for one in found]) for name in ("low", "high"))
    points = plotly.markers("Found out", "--accent", "circle", size=12) | {
        "x": typed(said),
        "y": typed(share),
        "error_y": plotly.bars(high - share, share - low, "--accent"),
        "customdata": [[f"said {_band(one)}: {one.out} of {one.number} were found out"] for one in found],
    }
    even = plotly.lines("As said", "--ink", dash="dash") | {"x": typed([0.0, 100.0]), "y": typed([0.0, 100.0])}
    return {
        "data": [even, points],
        "layout": {
            "height": 460,
            "margin": {"l": 76, "r": 24, "t": 20, "b": 56},
            "xaxis": {"range": [0.0, 100.0], "title": {"text": "Said before the visit, %"}},
            "yaxis": {"range": [0.0, 100.0], "title": {"text": "Found out by the visit, %"}},
            "annotations": [plotly.note("as said", 70.0, 70.0, xref="x", yref="y", yshift=-16, xshift=8)],
            "showlegend": False,
        },
    }
