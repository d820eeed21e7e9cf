"""A visit that no stop takes whole is done in several of its week, on as many days."""

from __future__ import annotations

import datetime as dt

import icalendar
import pytest
from django.urls import reverse

from linelog.planning.feed import calendar_of
from linelog.planning.models import PlannedPart, PlannedVisit
from linelog.planning.queries import open_entries, planned_of
from linelog.planning.services import entries as services
from linelog.planning.services import stops
from tests import factories
from tests.planning.conftest import stop


@pytest.fixture
def nights(plant, weeks):
    """Stops of 6 h on three days of the second week."""
    return [stop(plant, weeks[1], day=day, hours=6) for day in (1, 2, 4)]


@pytest.fixture
def put(manager, now, weeks):
    def go(machine, hours):
        return services.put(
            by=manager, at=now, machine=machine, week=weeks[1], hours=hours, reason="It is out.", pinned=False
        )

    return go


def times(entry):
    return [(one.window, one.starts_at, one.hours) for one in entry.stretches]


def test_it_fills_one_stop_and_goes_on_in_the_next(plant, line, nights, put, client_of):
    first = put(factories.machine(line, name="BM 1"), 9.0)
    assert times(first) == [(nights[0], nights[0].starts_at, 6.0), (nights[1], nights[1].starts_at, 3.0)]
    second = put(factories.machine(line, name="BM 2"), 8.0)  # what is left: 3 h of the second day, 6 h of the third
    later = nights[1].starts_at + dt.timedelta(hours=3)
    assert times(second) == [(nights[1], later, 3.0), (nights[2], nights[2].starts_at, 5.0)]
    page = client_of("manager").get("/plan/")
    (week,) = [week for week in page.context["weeks"] if week.shown]
    assert [one.has_room for one in week.shown] == [True, True]
    assert [one.troubles for one in week.shown] == [(), ()]
    assert "for 6 h" in page.content.decode()
    assert planned_of([first.machine_id])[first.machine_id].stops == 2


def test_a_stretch_too_short_for_any_visit_is_not_used(plant, line, nights, put):
    plant.visit_base_hours = 2.0
    plant.save()
    put(factories.machine(line, name="BM 1"), 5.0)  # leaves 1 h of the first day
    entry = put(factories.machine(line, name="BM 2"), 9.0)
    assert [window for window, _, _ in times(entry)] == nights[1:]


def test_where_others_left_no_room_it_stands_where_it_would_without_them(manager, now, line, nights, put, client_of):
    for number in range(3):
        put(factories.machine(line, name=f"BM {number}"), 5.5)
    entry = put(factories.machine(line, name="BM 9"), 9.0)
    assert times(entry) == [(nights[0], nights[0].starts_at, 6.0), (nights[1], nights[1].starts_at, 3.0)]
    services.change(by=manager, at=now, entry=entry, version=1, week=entry.week, hours=9.0, pinned=True)
    (week,) = [week for week in client_of("manager").get("/plan/").context["weeks"] if week.shown]
    rooms = {str(one.entry.machine): (one.has_room, len(one.troubles)) for one in week.shown}
    assert rooms == {"BM 0": (False, 1), "BM 1": (False, 1), "BM 2": (True, 0), "BM 9": (True, 2)}


def test_where_the_week_does_not_suffice_it_is_overbooked_and_says_so(line, nights, put, client_of):
    entry = put(factories.machine(line), 19.0)
    assert [hours for _, _, hours in times(entry)] == [19.0]
    page = client_of("manager").get("/plan/").content.decode()
    assert "It takes 19 h and its stop is 6 h long." in page


def test_it_follows_its_stops_and_goes_back_into_one_that_takes_it(plant, line, manager, now, weeks, nights, put):
    entry = put(factories.machine(line), 9.0)
    assert stops.remove(by=manager, at=now, stop=nights[1], version=1) == 1
    entry = PlannedVisit.objects.get(pk=entry.pk)
    assert [window for window, _, _ in times(entry)] == [nights[0], nights[2]]
    assert entry.sequence == 1
    services.change(by=manager, at=now, entry=entry, version=entry.version, week=weeks[1], hours=5.0, pinned=False)
    (entry,) = open_entries(plant)
    assert [window for window, _, _ in times(entry)] == [nights[0]]
    assert not PlannedPart.objects.exists()


def test_each_of_its_days_stands_in_the_calendar_and_on_the_sheet(line, nights, put, client_of):
    entry = put(factories.machine(line, name="BM 1"), 9.0)
    made = icalendar.Calendar.from_ical(calendar_of(line, [entry]))
    events = made.walk("VEVENT")
    assert [str(event["SUMMARY"]) for event in events] == [
        "Alignment: BM 1, part 1 of 2",
        "Alignment: BM 1, part 2 of 2",
    ]
    assert len({str(event["UID"]) for event in events}) == 2  # RFC 5545, 3.8.4.7: one for each
    assert [event.decoded("DTEND") - event.decoded("DTSTART") for event in events] == [
        dt.timedelta(hours=6),
        dt.timedelta(hours=3),
    ]
    answer = client_of("manager").get(reverse("planning:sheet", args=[entry.machine_id]))
    assert answer.status_code == 200
