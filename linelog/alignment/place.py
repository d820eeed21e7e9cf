"""Which sweep a page or a write speaks of, from the address or the form."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import urlencode

from django.urls import reverse

from linelog.alignment.models import Stage, Sweep, Visit
from linelog.plant.models import Station


@dataclass(frozen=True, slots=True)
class Place:
    """Which sweep is meant: of which station, when, at which seat, rim or face."""

    station: Station
    stage: str
    seat: str
    kind: str


def stage_from(given: Mapping[str, str]) -> str:
    """Return the stage that was asked for; as found where it is unknown."""
    stage = given.get("stage", "")
    return stage if stage in Stage else Stage.AS_FOUND.value


def place_from(station: Station, given: Mapping[str, str]) -> Place:
    """Return the place that was asked for; what is unknown falls back to the first there is."""
    kind = given.get("kind", "")
    seat = given.get("seat", "")
    is_face = kind == Sweep.Kind.FACE and station.face_radius_mm is not None
    return Place(
        station=station,
        stage=stage_from(given),
        seat="" if is_face else (seat if seat in station.seats else station.seats[0]),
        kind=Sweep.Kind.FACE.value if is_face else Sweep.Kind.RIM.value,
    )


def place_query(place: Place, **more: object) -> str:
    """Return the place as the query part of an address."""
    wanted = {"stage": place.stage, "seat": place.seat, "kind": place.kind, **more}
    return urlencode({key: value for key, value in wanted.items() if value not in ("", None)})


def place_url(name: str, visit: Visit, place: Place, **more: object) -> str:
    """Return an address that says the place again."""
    return f"{reverse(name, args=[visit.pk, place.station.pk])}?{place_query(place, **more)}"


def entry_urls(visit: Visit, stations: Sequence[Station]) -> list[str]:
    """Return the address of every entry screen of a visit, as found before as left: each seat and face of each.

    The screen that a station opens with has the station's plain address.
    """
    urls = []
    for stage in Stage.values:
        for station in stations:
            places = [Place(station, stage, seat, Sweep.Kind.RIM.value) for seat in station.seats]
            if station.face_radius_mm is not None:
                places.append(Place(station, stage, "", Sweep.Kind.FACE.value))
            urls += [plain_url(visit, place) or place_url("alignment:station", visit, place) for place in places]
    return urls


def plain_url(visit: Visit, place: Place) -> str:
    """Return the station's plain address where it opens with this place; else ''."""
    url = reverse("alignment:station", args=[visit.pk, place.station.pk])
    return url if place == place_from(place.station, {}) else ""


def same_page(visit: Visit, place: Place) -> list[str]:
    """Return every address that the first repeat of a place's entry screen stands at."""
    said = place_url("alignment:station", visit, place)
    return [url for url in (plain_url(visit, place), said) if url]


def offline_urls(visit: Visit, stations: Sequence[Station]) -> list[str]:
    """Return the pages that a tablet keeps of a visit, so that its work goes on without a network."""
    own = [reverse(f"alignment:{name}", args=[visit.pk]) for name in ("visit", "lockout_page")]
    return [*own, *entry_urls(visit, stations)]


class Addresses(dict[str, str]):
    """Addresses by name, each made where it is asked for: the answer to a reading shows few of them."""

    def __init__(self, made: Callable[[str], str]) -> None:
        super().__init__()
        self._made = made

    def __missing__(self, name: str) -> str:
        """Make one."""
        self[name] = address = self._made(name)
        return address
