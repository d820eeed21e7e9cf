"""Which sweep a page or a write speaks of, from the address or the form."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from urllib.parse import urlencode

from django.urls import reverse

from linelog.alignment.models import Stage, Sweep, Visit
from linelog.alignment.services.readings import Place
from linelog.plant.models import Station


def place_from(station: Station, given: Mapping[str, str]) -> Place:
    """Return the place that was asked for; what is unknown falls back to the first there is."""
    stage = given.get("stage", "")
    kind = given.get("kind", "")
    seat = given.get("seat", "")
    is_face = kind == Sweep.Kind.FACE and station.face_radius_mm is not None
    return Place(
        station=station,
        stage=stage if stage in Stage else Stage.AS_FOUND.value,
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
    """Return the address of every entry screen of a visit, as found before as left: each seat and face of each."""
    urls = [reverse("alignment:station", args=[visit.pk, station.pk]) for station in stations]
    for stage in Stage.values:
        for station in stations:
            places = [Place(station, stage, seat, Sweep.Kind.RIM.value) for seat in station.seats]
            if station.face_radius_mm is not None:
                places.append(Place(station, stage, "", Sweep.Kind.FACE.value))
            urls += [place_url("alignment:station", visit, place) for place in places]
    return urls
