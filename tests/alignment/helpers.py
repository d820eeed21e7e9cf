"""Words that the tests of the log share."""

import re

from django.urls import reverse

from linelog.alignment.services import readings

HTMX = {"hx-request": "true"}


def address(name, visit, station=None, **place):
    args = [visit.pk] + ([station.pk] if station else [])
    query = "&".join(f"{key}={value}" for key, value in place.items())
    return reverse(f"alignment:{name}", args=args) + (f"?{query}" if query else "")


def type_one(client, visit, station, angle, value, *, version=0, repeat=1, key="", headers=None, **more):
    place = {name: more.pop(name) for name in ("stage", "seat", "kind") if name in more}
    data = {"repeat": repeat, "angle_deg": angle, "value": value, "version": version, **more}
    sent = {**HTMX, **({"x-write-key": key} if key else {}), **(headers or {})}
    return client.post(address("reading", visit, station, **place), data, headers=sent)


def save(visit, station, typed, *, by, at, key="", **asked):
    """Store a reading by the service alone; return the version that stands then."""
    where = {"visit_id": visit.pk, "station_id": station.pk, "asked": asked}
    return readings.save_reading(by=by, **where, typed=lambda *_: typed, at=at, key=key).version


def type_round(client, visit, station, readings, **place):
    """Type a whole sweep; readings by clock angle."""
    response = None
    for angle, value in readings.items():
        response = type_one(client, visit, station, angle, value, **place)
        assert response.status_code == 200, response.content.decode()[:1500]
    return response


def say_which_face(client, visit, station, facing="crank", view="domer", stage="as_found", **more):
    """Say which way the face looks that is swept, and from which end the clock is read."""
    form = {"positions": "4", "view": view, "facing": facing, "resolution": "0.01", "face_radius": "60"}
    where = address("sweep", visit, station, kind="face", stage=stage)
    response = client.post(where, form | more | {"version": "0"}, headers=HTMX)
    assert response.status_code == 200, response.content.decode()[:1500]


def seen(name, page):
    """The mark that a form of this page sends back, to say what the person saw."""
    found = re.search(rf'action="[^"]*/{name}/[^"]*".*?name="seen" value="([0-9a-f]+)"', page.content.decode(), re.S)
    return {"seen": found[1]}


OUT_HIGH = {"0": "0", "90": "0.05", "180": "0.12", "270": "0.07"}  # bore: dy = +0.060, dx = +0.010 mm
CENTRED = {"0": "0.01", "90": "0.01", "180": "0.01", "270": "0.01"}
