"""The limits that hold for the stations of a visit: those of its day, its tools and its machine's set speed."""

from __future__ import annotations

from collections.abc import Iterable

from django.utils import timezone

from linelog.alignment.models import Visit
from linelog.plant.limits import under_rules
from linelog.plant.models import Station


def in_force(visit: Visit, stations: Iterable[Station]) -> list[Station]:
    """Return the stations with the limits that hold in this visit; copies where a rule narrows them."""
    sets = {visit.machine_id: visit.tooling_set} if visit.tooling_set is not None else None
    day = timezone.localtime(visit.opened_at).date()
    return under_rules(stations, visit.machine.line.plant, visit.opened_at, day, sets)
