"""The key to the chart over time, in words beside each sign; rows and panels say themselves what they are."""

from __future__ import annotations

from dataclasses import dataclass

from linelog.alignment.standing import RUNNING, STATIC
from linelog.trends.trend import Trend


@dataclass(frozen=True, slots=True)
class Key:
    """Which signs the chart has."""

    offsets: bool
    has_static: bool
    has_running: bool
    has_amended: bool
    any_beyond: bool

    @property
    def any(self) -> bool:
        """Whether there is a sign to explain."""
        return self.offsets or self.any_beyond


def key_of(trend: Trend) -> Key:
    """Return the key of what is drawn."""
    methods = {series.method for series in trend.offsets}
    return Key(
        offsets=trend.offsets_enough,
        has_static=STATIC in methods,
        has_running=RUNNING in methods,
        has_amended=any(value.amended for series in trend.offsets for value in series.values),
        any_beyond=any(rate is not None and bool(rate.chart.beyond.any()) for rate in trend.rates.values()),
    )
