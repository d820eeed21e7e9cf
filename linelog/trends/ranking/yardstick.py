"""The one yardstick for "above the fleet": the stored ranking of tear-offs over three months, on every page.

A machine's rate after shrinkage, with its 95 % interval widened by the scatter of the days, against the usual rate of
the plant's machines. Few cans pull it to the others, clusters widen it: so that chance makes no bad machine.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from linelog.plant.models import Plant
from linelog.trends.models import Fit
from linelog.trends.ranking.refit import KIND, scope_of
from linelog.trends.rates import TEAR_OFFS
from linelog.web.templatetags.units import count

DAYS = 91
FEW_OWN = 0.5  # below this share the rate is more that of the others than the machine's own
MUCH_MORE = 1.5  # times the usual rate: from here on it is worth a look of its own; common practice, no source
SAID = (
    f"Tear-offs of the last {DAYS} counted days after shrinkage, with the 95 % interval that the scatter of the days "
    "allows, against the usual rate of the plant's machines: the same as in the ranking."
)


def above_or_below(low: float, high: float, usual: float) -> str:
    """Say where a machine stands: above or below only where the interval leaves the usual rate out."""
    if low > usual:
        return "above"
    return "below" if high < usual else "no different"


@dataclass(frozen=True, slots=True)
class Against:
    """A machine's tear-offs per million after shrinkage with their interval, against the usual rate of its plant."""

    rate: float
    low: float
    high: float
    own: float
    own_weight: float
    cans: int
    usual: float
    since: dt.date
    until: dt.date

    @property
    def word(self) -> str:
        """Above, below or no different."""
        return above_or_below(self.low, self.high, self.usual)

    @property
    def css(self) -> str:
        """The class that gives the word its shape."""
        return self.word.replace(" ", "-")

    @property
    def times(self) -> float:
        """How many times the usual rate."""
        return self.rate / self.usual if self.usual else 1.0

    @property
    def much_more(self) -> bool:
        """Whether it is above the fleet by so much that it must have a reason of its own."""
        return self.word == "above" and self.times >= MUCH_MORE

    @property
    def times_text(self) -> str:
        """How many times the usual rate, as it is read."""
        return f"{self.times:.1f} times"

    @property
    def rate_text(self) -> str:
        """The rate as it is read."""
        return f"{self.rate:.1f}"

    @property
    def interval(self) -> str:
        """The interval as it is read."""
        return f"{self.low:.1f} to {self.high:.1f}"

    @property
    def fleet_text(self) -> str:
        """The usual rate as it is read."""
        return f"{self.usual:.1f}, the usual rate"

    @property
    def cans_text(self) -> str:
        """The cans as they are read."""
        return count(self.cans)

    @property
    def few(self) -> bool:
        """Whether it rests on so few cans that little can be said."""
        return self.own_weight < FEW_OWN


def against(plant: Plant) -> dict[int, Against]:
    """Return the machines of a plant against its usual rate, from the ranking as it is stored; one query."""
    rows = Fit.objects.filter(plant=plant, kind=KIND, scope=scope_of(TEAR_OFFS.key, DAYS))
    kept = rows.values_list("result", "rests_on").first()
    return _read(*kept) if kept and kept[0].get("columns") else {}


def _read(result: Mapping[str, Any], rests_on: Mapping[str, str]) -> dict[int, Against]:
    columns: Mapping[str, list[float]] = result["columns"]
    usual = float(result["usual"])
    since, until = (dt.date.fromisoformat(rests_on[name]) for name in ("since", "until"))
    names = ("machine", "shrunk", "low", "high", "rate", "own", "made")
    return {
        int(pk): Against(rate, low, high, own, weight, int(made), usual, since, until)
        for pk, rate, low, high, own, weight, made in zip(*(columns[name] for name in names), strict=True)
    }
