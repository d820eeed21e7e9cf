"""A stored ranking as its page shows it: a table, and what it says in words."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from django import forms
from django.http import QueryDict

from linelog.plant.models import Machine, Person
from linelog.trends.models import Fit
from linelog.trends.ranking.refit import KIND, SPANS, scope_of
from linelog.trends.ranking.yardstick import DAYS, above_or_below
from linelog.trends.rates import BY_KEY, MEASURES, Measure
from linelog.web.templatetags.units import count

USUAL = {"measure": "tear_offs", "days": str(DAYS)}
SPAN_NAMES = ("4 weeks", "3 months", "6 months", "12 months")
SAYS = {
    "below": "below the fleet",
    "no different": "no different from the fleet",
    "above": "above the fleet",
}
CSS = {"below": "in", "no different": "none", "above": "out"}


class ChoiceForm(forms.Form):
    """Which ranking to show."""

    measure = forms.ChoiceField(choices=[(one.key, one.name) for one in MEASURES], label="Count")
    days = forms.ChoiceField(
        choices=[(str(days), name) for days, name in zip(SPANS, SPAN_NAMES, strict=True)], label="Span"
    )

    def __init__(self, data: QueryDict) -> None:
        given: Any = data.copy()
        for name, value in USUAL.items():
            given.setdefault(name, value)
        super().__init__(given)
        for field in self.fields.values():
            field.error_messages["invalid_choice"] = "There is no such ranking: take one of those shown."

    def asked(self) -> tuple[Measure, int]:
        """Return the choice, or the usual one where the address asks for what is not there."""
        given = self.cleaned_data if self.is_valid() else USUAL
        return BY_KEY[given["measure"]], int(given["days"])


@dataclass(frozen=True, slots=True)
class Row:
    """A machine in the ranking, rates in the measure's own unit."""

    machine: Machine
    counts: str
    expected: str
    made: str
    rate: str
    shrunk: str
    interval: str
    own: str
    says: str
    css: str


@dataclass(frozen=True, slots=True)
class Board:
    """The ranking of one plant, the highest rate after shrinkage first; `sentence` stands where there is none."""

    fit: Fit
    measure: Measure
    rows: tuple[Row, ...]
    notes: tuple[str, ...]
    sentence: str


def fits_for(user: Person, measure: Measure, days: int) -> list[Fit]:
    """Return the stored ranking of each plant a person may see."""
    rows = Fit.objects.for_user(user).filter(kind=KIND, scope=scope_of(measure.key, days)).select_related("plant")
    return list(rows.order_by("plant__name"))


def boards(user: Person, measure: Measure, days: int) -> list[Board]:
    """Return the rankings as they are shown, in two queries."""
    fits = fits_for(user, measure, days)
    names = names_of(fits)
    return [_board(fit, measure, names) for fit in fits]


def names_of(fits: Iterable[Fit]) -> dict[int, Machine]:
    """Return the machines of some rankings by their number, in one query."""
    ids = [pk for fit in fits for pk in fit.result.get("columns", {}).get("machine", ())]
    return {machine.pk: machine for machine in Machine.objects.filter(pk__in=ids).select_related("line")}


def _board(fit: Fit, measure: Measure, names: dict[int, Machine]) -> Board:
    columns = fit.result.get("columns")
    if not columns:
        return Board(fit, measure, (), (), fit.sentence)
    order = np.argsort(-np.array(columns["shrunk"]), kind="stable")
    usual = fit.result["usual"]
    rows = [_row(columns, at, usual, measure, names) for at in order.tolist() if columns["machine"][at] in names]
    return Board(fit, measure, tuple(rows), tuple(_notes(fit, measure)), "")


def _row(columns: dict[str, Any], at: int, usual: float, measure: Measure, names: dict[int, Machine]) -> Row:
    one = {name: values[at] for name, values in columns.items()}
    word = above_or_below(one["low"], one["high"], usual)
    return Row(
        machine=names[one["machine"]],
        counts=count(one["counts"]),
        expected=count(one["expected"]) if one["expected"] >= 10.0 else f"{one['expected']:.1f}",
        made=f"{one['made'] / 1e6:.2f}",
        rate=written(measure, one["rate"]),
        shrunk=written(measure, one["shrunk"]),
        interval=f"{written(measure, one['low'])} to {written(measure, one['high'])}",
        own=f"{100.0 * one['own']:.0f} %",
        says=SAYS[word],
        css=CSS[word],
    )


def written(measure: Measure, per_million: float) -> str:
    """Write a rate per million in the measure's own unit."""
    return f"{per_million / measure.divisor:.{measure.decimals}f}"


def _notes(fit: Fit, measure: Measure) -> list[str]:
    on = fit.rests_on
    notes = [
        f"{on['since']} to {on['until']}: {count(on['counts'])} in {on['cans'] / 1e6:.1f} million cans of "
        f"{on['machines']} machines. The usual rate, that of the machine in the middle: "
        f"{written(measure, fit.result['usual'])} {measure.unit}."
    ]
    if fit.result["wide"] > 1.0:
        notes.append(
            f"A machine's days scatter {fit.result['wide']:.1f} times as widely (in variance) as chance alone would "
            "make them, since counts come in clusters: all intervals and limits here allow for that."
        )
    if not fit.result["spread"]:
        notes.append("The machines differ by no more than chance: after shrinkage all have one rate.")
    return notes
