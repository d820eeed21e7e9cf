"""The rows of choices on the entry screen: repeats, sweeps, stages, and the stations before and after."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable
from dataclasses import dataclass

from linelog.alignment.clock_fields import readings_of_sweep
from linelog.alignment.models import Stage, Sweep, Visit
from linelog.alignment.not_proven import MOST_REPEATS
from linelog.alignment.place import Place, place_url
from linelog.alignment.queries import stations_of
from linelog.alignment.since_move import repeat_anew
from linelog.plant.models import Station


@dataclass(frozen=True, slots=True)
class Tab:
    """One choice in a row of choices."""

    label: str
    url: str
    here: bool
    done: bool = False


def repeat_tabs(
    visit: Visit, place: Place, sweep: Sweep, repeat: int, older: Collection[int] = ()
) -> tuple[Tab, ...]:
    """Return the repeats there are, and the next one once those are used; those `older` than a move say so."""
    used = {reading.repeat for reading in readings_of_sweep(sweep)}
    last = min(max(used | {repeat}) + (1 if used >= set(range(1, max(used | {1}) + 1)) else 0), MOST_REPEATS)
    return tuple(
        Tab(
            f"{n}, before the move" if n in older else f"{n}",
            place_url("alignment:station", visit, place, repeat=n),
            n == repeat,
            n in used,
        )
        for n in range(1, last + 1)
    )


def swept_at(visit: Visit, place: Place, rows: Iterable[Sweep], moved_at: Collection[dt.datetime]) -> str:
    """Return where a place is swept: as left and moved since, at a repeat not used yet."""
    here = (place.stage, place.seat, place.kind)
    mine = [one for row in rows if (row.stage, row.seat, row.kind) == here for one in row.readings.all()]
    repeat = repeat_anew(mine, moved_at, MOST_REPEATS) if place.stage == Stage.AS_LEFT else 1
    return place_url("alignment:station", visit, place, repeat=repeat)


def sweep_tabs(
    visit: Visit, place: Place, rows: list[Sweep], moved_at: Collection[dt.datetime] = ()
) -> tuple[Tab, ...]:
    """Return what can be swept at the station: its seats and its face."""
    station = place.station
    there = {(r.seat, r.kind) for r in rows if r.stage == place.stage and r.readings.all()}
    names = {
        "": "Bore" if station.surface == Station.Surface.BORE else "Outside",
        "front": "Front seat",
        "rear": "Rear seat",
    }
    wanted = [(seat, "rim", names[seat]) for seat in reversed(station.seats)]
    if station.face_radius_mm is not None:
        wanted.append(("", "face", "Face"))
    return tuple(
        Tab(
            label,
            swept_at(visit, Place(station, place.stage, seat, kind), rows, moved_at),
            (seat, kind) == (place.seat, place.kind),
            (seat, kind) in there,
        )
        for seat, kind, label in wanted
    )


def stage_tabs(
    visit: Visit, place: Place, rows: list[Sweep], moved_at: Collection[dt.datetime] = ()
) -> tuple[Tab, ...]:
    """Return as found and as left."""
    done = {r.stage for r in rows if r.readings.all()}
    return tuple(
        Tab(
            Stage(stage).label,
            swept_at(visit, Place(place.station, stage, place.seat, place.kind), rows, moved_at),
            stage == place.stage,
            stage in done,
        )
        for stage in Stage.values
    )


def neighbour_tabs(visit: Visit, place: Place) -> tuple[Tab | None, Tab | None]:
    """Return the stations before and after; None at either end."""
    stations = stations_of(visit.machine)
    at = next((i for i, s in enumerate(stations) if s.pk == place.station.pk), 0)

    def tab(index: int) -> Tab | None:
        if not 0 <= index < len(stations):
            return None
        there = Place(stations[index], place.stage, stations[index].seats[-1], "rim")
        return Tab(stations[index].name, place_url("alignment:station", visit, there), False)

    return tab(at - 1), tab(at + 1)
