"""The display on a wall: its own address, its own line, no people and no money; it agrees with the front page."""

import datetime as dt

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from linelog.planning.displays import look_at
from linelog.planning.services import calendars
from tests import factories
from tests.planning.conftest import measured

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("no_ram")]
WRITES = ("INSERT", "UPDATE", "DELETE")


@pytest.fixture
def display(line, manager, now):
    return calendars.make(by=manager, at=now, line=line, label="Wall of line 1", kind="display")


def fetch(secret, query=""):
    return Client().get(reverse("planning:display", args=[secret]) + query)


def test_it_shows_its_line_and_what_to_do_worst_first(display, plant, line, manager, now):
    fine = measured(line, manager, now, name="BM 1", size=0.1, last=1)
    out = measured(line, manager, now, name="BM 2")
    left = out.visits.latest("opened_at").results.filter(station__kind="domer", stage="as_left")
    left.update(x_um=80.0, radial_um=80.0, severity=80 / 38, verdict="out")
    factories.machine(factories.line(plant), name="Elsewhere 1")
    text = fetch(display[1]).content.decode()
    assert text.index("BM 2") < text.index("BM 1")
    assert "Align it: open Domer." in text
    assert "1 out" in text
    assert "Elsewhere" not in text
    assert str(manager) not in text
    assert plant.currency not in text
    assert f'data-todo="{out.pk}:ALIGN"' in text
    assert f'data-todo="{fine.pk}:' in text


def test_closed_unknown_or_of_a_calendar_it_is_not_there(display, line, manager, now):
    row, secret = display
    _, other = calendars.make(by=manager, at=now, line=line, label="Phone")
    assert fetch(secret).status_code == 200
    assert fetch(other).status_code == 404
    assert Client().get(reverse("planning:feed", args=[secret])).status_code == 404
    assert fetch(secret[:-1]).status_code == 404
    calendars.revoke(by=manager, at=now, address=row)
    assert fetch(secret).status_code == 404


def test_the_look_goes_by_the_clock_of_the_plant_unless_it_is_chosen(display):
    assert (look_at(dt.time(5, 59)), look_at(dt.time(6)), look_at(dt.time(19, 59)), look_at(dt.time(20))) == (
        "night",
        "day",
        "day",
        "night",
    )
    assert 'class="night"' in fetch(display[1], "?look=night").content.decode()
    assert 'class="day"' in fetch(display[1], "?look=day").content.decode()
    assert fetch(display[1], "?look=red").status_code == 200


def test_a_manager_makes_one_on_the_page(signed_in, manager, line):
    page = signed_in(manager).post("/plan/calendars/", {"kind": "display", "line": line.pk, "label": "Hall"})
    assert "/plan/display/" in page.content.decode()
    assert "How the line stands, on a wall" in page.content.decode()
    wrong = signed_in(manager).post("/plan/calendars/", {"kind": "mural", "line": line.pk, "label": "Hall"})
    assert "There is no such address" in wrong.content.decode()


def test_looking_at_it_again_writes_nothing(display, machine):
    fetch(display[1])
    with CaptureQueriesContext(connection) as seen:
        assert fetch(display[1]).status_code == 200
    assert [one["sql"] for one in seen if one["sql"].lstrip().upper().startswith(WRITES)] == []
