"""Values of one station, seat and method in the order of time: never two methods in one series."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from linelog.alignment.standing import AS_FOUND, AS_LEFT, Value
from linelog.plant.models import Station
from linelog.trends import words

CARRIED = {"running": ", running", "bar": ", on the bar"}
FEWEST_VISITS = 3  # below this a line between points is no trend


@dataclass(frozen=True, slots=True)
class OffsetSeries:
    """One line of the offset chart; `number` is that of its place among those drawn, for its colour."""

    station: Station
    seat: str
    method: str
    values: tuple[Value, ...]
    number: int

    @property
    def label(self) -> str:
        """The place, with the word where it was measured running."""
        name = words.place(self.station, self.seat)
        return f"{name}{CARRIED.get(self.values[0].series, '')}"

    @property
    def found(self) -> list[Value]:
        """The values before anything was touched."""
        return [value for value in self.values if value.stage == AS_FOUND]

    @property
    def left(self) -> list[Value]:
        """The values after the moves."""
        return [value for value in self.values if value.stage == AS_LEFT]

    @property
    def visits(self) -> int:
        """On how many visits it rests."""
        return len({value.visit_id for value in self.values})

    def moved(self) -> list[tuple[Value, Value]]:
        """Return as found and as left of one visit, in pairs."""
        left = {value.visit_id: value for value in self.left}
        return [(value, left[value.visit_id]) for value in self.found if value.visit_id in left]

    def drifted(self) -> list[tuple[Value, Value]]:
        """Return what a visit left and what the next one found."""
        ends: dict[int, list[Value]] = {}
        for value in self.values:
            ends.setdefault(value.visit_id, []).append(value)
        visits = [sorted(pair, key=lambda value: value.stage) for pair in ends.values()]  # as_found < as_left
        return [(before[-1], after[0]) for before, after in pairwise(visits)]


def offset_series(values: Iterable[Value], stations: Sequence[Station]) -> list[OffsetSeries]:
    """Sort values of the chosen stations into series, in the order of the stations along the ram."""
    sorted_in: dict[tuple[int, str, str], list[Value]] = {}
    for value in values:
        sorted_in.setdefault((value.station_id, value.seat, value.series), []).append(value)
    series = []
    places: dict[tuple[int, str], int] = {}
    for station in stations:
        for key in sorted(key for key in sorted_in if key[0] == station.pk):
            number = places.setdefault(key[:2], len(places))
            of_key = tuple(sorted_in[key])
            series.append(OffsetSeries(station, key[1], of_key[0].method, of_key, number))
    return series
