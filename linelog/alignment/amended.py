"""What the amendments of a visit make of its values: the first and the new, side by side."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from linelog.alignment.models import AmendedReading, Result, Seat, Stage, Visit
from linelog.alignment.results.of_visit import Key
from linelog.alignment.results.status import Figure, StationStatus
from linelog.alignment.standing import STATIC, Value
from linelog.alignment.values import of_visit


@dataclass(frozen=True, slots=True)
class AmendedLine:
    """A result of a signed visit that an amendment changed (`now`) or set aside (`now` is None)."""

    first: Result
    now: Value | None
    stands: StationStatus | None = None  # the station with its amended values; None of a running value

    @property
    def what(self) -> str:
        """Which value it is."""
        seat = Seat(self.first.seat).label.lower() if self.first.seat else ""
        words = [Stage(self.first.stage).label.lower(), seat, "running" if self.first.method == "running" else ""]
        return ", ".join(word for word in words if word)

    @property
    def expected(self) -> Figure | None:
        """What the amended value is expected to be when running, where anything is known of that."""
        return self.stands.expected_at(self.first.seat) if self.stands else None


def amended_lines(visit: Visit, stand: Mapping[Key, StationStatus]) -> dict[int, tuple[AmendedLine, ...]]:
    """Return what was amended, by station; nothing in a visit that is not signed.

    stand  how its stations stand as amended
    """
    if visit.state != Visit.State.SIGNED:
        return {}
    now = of_visit(visit)
    found: dict[int, tuple[AmendedLine, ...]] = {}
    for first in visit.results.select_related("station").order_by("stage", "seat"):
        key = (first.station_id, first.stage)
        value = now.get((first.station_id, first.stage, first.seat, first.method))
        if value is None or value.amended:
            found[first.station_id] = (
                *found.get(first.station_id, ()),
                AmendedLine(first, value, stand.get(key) if first.method == STATIC else None),
            )
    return found


def readings_of(visit: Visit) -> dict[int, AmendedReading]:
    """Return the last word on each amended reading of a visit, by the reading."""
    rows = AmendedReading.objects.filter(amendment__visit=visit).select_related("amendment__by")
    return {row.reading_id: row for row in rows.order_by("amendment__at", "amendment_id", "pk")}
