"""The main job through the program's own addresses: open, sweep, move, sweep again, sign."""

import pytest
from django.urls import reverse

from linelog.alignment.models import Result, Visit
from tests import factories

pytestmark = pytest.mark.django_db


def sweep_url(name, visit, station, **place):
    query = "&".join(f"{key}={value}" for key, value in place.items())
    return f"{reverse(f'alignment:{name}', args=[visit.pk, station.pk])}?{query}"


def type_readings(client, visit, station, readings, **place):
    for angle, value in readings.items():
        response = client.post(
            sweep_url("reading", visit, station, **place),
            {"repeat": 1, "angle_deg": angle, "value": value, "version": 0},
            headers={"hx-request": "true"},
        )
        assert response.status_code == 200, response.content.decode()[:2000]
    return response


def test_four_readings_give_offset_verdict_and_move(signed_in):
    machine = factories.machine()
    mechanic = factories.person("mechanic", machine.line.plant)
    client = signed_in(mechanic)
    visit = factories.visit(machine, mechanic)
    domer = machine.stations.get(kind="domer")
    page = client.get(sweep_url("station", visit, domer))
    assert page.status_code == 200
    response = type_readings(
        client, visit, domer, {"0": "0", "90": "+0.05", "180": "+0.12", "270": "0.07"}, stage="as_found"
    )
    # dy = (R6 - R12)/2 and dx = (R9 - R3)/2 for a bore: the closed form of the four-point sweep, common practice.
    result = Result.objects.get(visit=visit, station=domer)
    assert result.y_um == pytest.approx(60.0)
    assert result.x_um == pytest.approx(10.0)
    assert result.verdict == "out"
    assert "out" in response.content.decode()
