"""Which sweep a page or a write speaks of, from the address or the form."""

from __future__ import annotations

from collections.abc import Mapping
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
