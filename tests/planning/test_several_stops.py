"""A visit that no stop takes whole is done in several of its week, on as many days."""

from __future__ import annotations

import datetime as dt

import icalendar
import pytest
from django.urls import reverse

from linelog.calc.units import Unit
from linelog.planning.feed import calendar_of
from linelog.planning.models import PlannedPart, PlannedVisit
from linelog.planning.queries import open_entries, planned_of
from linelog.planning.services import entries as services
from linelog.planning.services import stops
from linelog.planning.suggest import Change
from linelog.production import weeks as calendar
from linelog.production.days import local_day
from linelog.web.history import changes
from linelog.web.models import AuditEvent
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


def facts(row, **more):
    return {name: getattr(row, name) for name in ("line", "machine", "starts_at", "ends_at", "crews", "note")} | more


def test_the_history_tells_its_parts_also_where_they_alone_have_moved(line, manager, now, nights, put):
    put(factories.machine(line), 9.0)
    stops.remove(by=manager, at=now, stop=nights[1], version=1)
    event = AuditEvent.objects.filter(object_type="plannedvisit").latest("pk")
    before, after = (
        [(dt.datetime.fromisoformat(one["starts_at"]), one["hours"]) for one in side["parts"]]
        for side in (event.before, event.after)
    )
    assert before == [(nights[0].starts_at, 6.0), (nights[1].starts_at, 3.0)]
    assert after == [(nights[0].starts_at, 6.0), (nights[2].starts_at, 3.0)]
    (line_of,) = [one for one in changes(event, Unit.MM) if one.name == "parts"]
    assert "hours: 3" in line_of.after


def test_a_stop_added_takes_what_was_overbooked(plant, line, manager, now, weeks, nights, put, client_of):
    entry = put(factories.machine(line), 19.0)
    starts = nights[2].starts_at + dt.timedelta(days=1)
    more = facts(nights[2], starts_at=starts, ends_at=starts + dt.timedelta(hours=6))
    stops.add(by=manager, at=now, plant=plant, facts=more)
    (entry,) = open_entries(plant)
    assert [hours for _, _, hours in times(entry)] == [6.0, 6.0, 6.0, 1.0]
    assert "overbooked" not in client_of("manager").get("/plan/").content.decode()


def test_who_edits_the_note_of_a_stop_moves_no_visit_out_of_it(plant, line, manager, now, nights, put):
    entry = put(factories.machine(line), 3.0)
    services.accept(by=manager, at=now, plant=plant, changes=[(wish(entry.machine, nights[2], 3.0), "")])
    stops.change(by=manager, at=now, stop=nights[2], version=1, facts=facts(nights[2], note="Die change"))
    (entry,) = open_entries(plant)
    assert times(entry) == [(nights[2], nights[2].starts_at, 3.0)]


def wish(machine, window, hours, stops=1):
    week = calendar.monday(local_day(machine.line.plant, window.starts_at))
    return Change(machine.pk, str(machine), "put into its week", week, window.pk, hours, 1.0, stops)


def test_a_suggestion_over_a_stop_with_little_room_is_taken_over_as_it_was_reckoned(
    plant, line, manager, now, weeks, nights, put
):
    """4 h of the second day are pinned: 5 h more are 2 h of it and 3 h of the third; the first is too short."""
    services.change(by=manager, at=now, entry=put(factories.machine(line, name="BM 1"), 6.0), version=1,
                    week=weeks[1], hours=6.0, pinned=True)  # fmt: skip
    services.change(by=manager, at=now, entry=put(factories.machine(line, name="BM 2"), 4.0), version=1,
                    week=weeks[1], hours=4.0, pinned=True)  # fmt: skip
    services.change(by=manager, at=now, entry=put(factories.machine(line, name="BM 3"), 3.0), version=1,
                    week=weeks[1], hours=3.0, pinned=True)  # fmt: skip
    one = factories.machine(line, name="BM 4")
    services.accept(by=manager, at=now, plant=plant, changes=[(wish(one, nights[1], 5.0, 2), "It is out.")])
    (entry,) = [entry for entry in open_entries(plant) if entry.machine_id == one.pk]
    assert [(window, hours) for window, _, hours in times(entry)] == [(nights[1], 2.0), (nights[2], 3.0)]


def test_two_that_change_places_each_find_the_others(plant, line, manager, now, weeks):
    here, there, _ = (
        stop(plant, week, day=day, hours=4) for week, day in ((weeks[1], 2), (weeks[2], 2), (weeks[2], 4))
    )
    one, other = (factories.machine(line, name=name) for name in ("BM 1", "BM 2"))
    for machine, week in ((one, weeks[1]), (other, weeks[2])):
        services.put(by=manager, at=now, machine=machine, week=week, hours=4.0, reason="", pinned=False)
    both = [(wish(one, there, 4.0), ""), (wish(other, here, 4.0), "")]
    assert services.accept(by=manager, at=now, plant=plant, changes=both) == 2
    assert {entry.machine: times(entry) for entry in open_entries(plant)} == {
        one: [(there, there.starts_at, 4.0)],
        other: [(here, here.starts_at, 4.0)],
    }


def test_visits_of_a_stop_that_begins_later_stay_in_it_one_after_the_other(plant, line, manager, now, weeks, put):
    row, _ = stop(plant, weeks[1], hours=6), stop(plant, weeks[1], day=4, hours=6)
    for name in ("BM 1", "BM 2"):
        put(factories.machine(line, name=name), 3.0)
    later = {name: getattr(row, name) + dt.timedelta(hours=2) for name in ("starts_at", "ends_at")}
    stops.change(by=manager, at=now, stop=row, version=1, facts=facts(row, **later))
    first, second = (times(entry) for entry in open_entries(plant))
    assert first == [(row, later["starts_at"], 3.0)]
    assert second == [(row, later["starts_at"] + dt.timedelta(hours=3), 3.0)]


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
