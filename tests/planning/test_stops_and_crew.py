"""Stops that repeat by the plant's clock, stops that are over, the crew's hours of a week, two managers at once."""

import datetime as dt

import pytest
from django.urls import reverse

from linelog.planning.models import CrewWeek, PlannedVisit, StopWindow
from linelog.planning.services import entries as services
from linelog.planning.services import stops
from linelog.production.days import zone
from linelog.web.errors import Conflict, Refused
from tests import factories
from tests.planning.conftest import stop

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("no_ram")]


def put(by, at, machine, week, hours=3.0):
    return services.put(by=by, at=at, machine=machine, week=week, hours=hours, reason="Due.", pinned=False)


def facts(plant, starts, hours=8, **more):
    times = {"starts_at": starts, "ends_at": starts + dt.timedelta(hours=hours)}
    return {"line": None, "machine": None, "crews": 1, "note": "Weekly stop"} | times | more


def on_clock(plant, rows):
    return [row.starts_at.astimezone(zone(plant)).strftime("%m-%d %H:%M") for row in rows]


class TestSeries:
    @pytest.fixture
    def series(self, plant, manager, now):
        # Over the end of summer time in the plant's zone: 25 October 2026.
        starts = dt.datetime(2026, 10, 13, 6, 0, tzinfo=zone(plant))
        stops.add(by=manager, at=now, plant=plant, facts=facts(plant, starts), more_weeks=3)
        return list(StopWindow.objects.order_by("starts_at"))

    def test_each_begins_at_the_same_time_of_the_plants_clock(self, plant, series):
        assert on_clock(plant, series) == ["10-13 06:00", "10-20 06:00", "10-27 06:00", "11-03 06:00"]
        assert {row.hours for row in series} == {8.0}
        assert len({row.series for row in series}) == 1

    def test_one_is_changed_alone_or_with_those_after_it(self, plant, manager, now, series):
        second = series[1]
        moved = facts(plant, second.starts_at + dt.timedelta(hours=2), hours=6)
        stops.change(by=manager, at=now, stop=second, version=1, facts=moved)
        rows = list(StopWindow.objects.order_by("starts_at"))
        assert on_clock(plant, rows) == ["10-13 06:00", "10-20 08:00", "10-27 06:00", "11-03 06:00"]
        third = rows[2]
        moved = facts(plant, third.starts_at + dt.timedelta(days=1, hours=1), hours=5, crews=2)
        stops.change(by=manager, at=now, stop=third, version=1, facts=moved, later=True)
        rows = list(StopWindow.objects.order_by("starts_at"))
        assert on_clock(plant, rows) == ["10-13 06:00", "10-20 08:00", "10-28 07:00", "11-04 07:00"]
        assert [(row.hours, row.crews) for row in rows[2:]] == [(5.0, 2), (5.0, 2)]

    def test_removed_with_those_after_it_and_what_was_planned_there_says_so(self, plant, line, manager, now, weeks):
        starts = stop(plant, weeks[1]).starts_at
        StopWindow.objects.all().delete()
        stops.add(by=manager, at=now, plant=plant, facts=facts(plant, starts), more_weeks=2)
        entry = put(manager, now, factories.machine(line), weeks[2])
        first, second, _ = StopWindow.objects.order_by("starts_at")
        assert entry.window == second
        assert stops.remove(by=manager, at=now, stop=second, version=1, later=True) == 2
        assert list(StopWindow.objects.all()) == [first]
        assert PlannedVisit.objects.get().window is None

    def test_by_the_form(self, client_of, plant, now):
        client = client_of("manager")
        day = (now + dt.timedelta(days=3)).strftime("%Y-%m-%d")
        data = {"what": "plant", "starts_at": f"{day}T06:00", "ends_at": f"{day}T12:00", "crews": "1"}
        url = reverse("planning:add_stop", args=[plant.pk])
        assert client.post(url, data | {"more_weeks": "61"}).status_code == 422
        assert client.post(url, data | {"more_weeks": "5"}).status_code == 302
        rows = list(StopWindow.objects.order_by("starts_at"))
        assert len(rows) == 6
        page = client.get(reverse("planning:stop", args=[rows[3].pk])).content.decode()
        assert "Remove it and the later ones of its series" in page
        gone = client.post(reverse("planning:stop", args=[rows[3].pk]), {"remove": "later", "version": "1"})
        assert gone.status_code == 302
        assert StopWindow.objects.count() == 3


class TestOver:
    def test_nothing_goes_into_a_stop_that_is_over_nor_before_now(self, plant, line, manager, weeks):
        window = stop(plant, weeks[1], hours=8)
        after = window.ends_at + dt.timedelta(minutes=1)
        entry = put(manager, after, factories.machine(line), weeks[1])
        assert (entry.window, entry.starts_at) == (None, None)
        within = window.starts_at + dt.timedelta(hours=2, minutes=7)
        entry = put(manager, within, factories.machine(line), weeks[1])
        assert entry.window == window
        assert entry.starts_at == window.starts_at + dt.timedelta(hours=2, minutes=15)

    def test_work_that_has_begun_stays_where_it_is(self, plant, line, manager, now, weeks):
        window = stop(plant, weeks[1], hours=8)
        entry = put(manager, now, factories.machine(line), weeks[1])
        at = entry.starts_at + dt.timedelta(hours=1)
        services.settle(by=manager, at=at, entries=[entry])
        assert PlannedVisit.objects.get().starts_at == window.starts_at


class TestCrew:
    def set(self, client, plant, week, hours, version=0):
        url = reverse("planning:crew", args=[plant.pk]) + f"?plant={plant.pk}"
        return client.post(url, {"week": week.isoformat(), "hours": hours, "version": version})

    def test_a_week_has_hours_of_its_own_and_two_managers_never_overwrite_one_another_unseen(
        self, client_of, plant, weeks
    ):
        client = client_of("manager")
        assert self.set(client, plant, weeks[1], "8,5").status_code == 302
        shown = {week.monday: week.crew_hours for week in client.get("/plan/").context["weeks"]}
        assert (shown[weeks[0]], shown[weeks[1]]) == (20.0, 8.5)
        answer = self.set(client, plant, weeks[1], "12")
        assert answer.status_code == 409
        text = answer.content.decode()
        assert "8.5 h" in text
        assert "12 h, are not stored" in text
        assert self.set(client, plant, weeks[1], "0", version=1).status_code == 302
        assert CrewWeek.objects.get().hours == 0.0

    @pytest.mark.parametrize("hours", ["", "-1", "many", "1e9"])
    def test_what_is_no_number_of_hours_is_told(self, client_of, plant, weeks, hours):
        assert self.set(client_of("manager"), plant, weeks[1], hours).status_code == 422
        assert not CrewWeek.objects.exists()

    def test_an_entry_changed_by_two_shows_both(self, plant, line, manager, now, weeks):
        entry = put(manager, now, factories.machine(line), weeks[1])
        services.change(by=manager, at=now, entry=entry, version=1, week=weeks[2], hours=4.0, pinned=True)
        with pytest.raises(Conflict) as told:
            services.change(by=manager, at=now, entry=entry, version=1, week=weeks[3], hours=2.0, pinned=False)
        theirs, yours = (f"week {week.isocalendar().week}" for week in (weeks[2], weeks[3]))
        assert theirs in told.value.message
        assert "4 h, pinned" in told.value.message
        assert f"Yours is not stored: {yours}" in told.value.message
        with pytest.raises(Conflict, match="was not taken out"):
            services.take_out(by=manager, at=now, entry=entry, version=1)


def test_a_stop_changed_by_two_shows_what_stands_beside_what_was_typed(client_of, plant, manager, now, weeks):
    row = stop(plant, weeks[1])
    stops.change(by=manager, at=now, stop=row, version=1, facts=facts(plant, row.starts_at, hours=5, crews=2))
    day = row.starts_at.astimezone(zone(plant)).strftime("%Y-%m-%d")
    mine = {"what": "plant", "starts_at": f"{day}T07:00", "ends_at": f"{day}T12:00", "crews": "1", "version": "1"}
    answer = client_of("manager").post(reverse("planning:stop", args=[row.pk]), mine)
    assert answer.status_code == 409
    text = answer.content.decode()
    assert f"reads now: stop of the whole plant, {day} 06:00 to {day} 11:00, 2 crews. Yours is not stored." in text
    assert f"{day}T07:00" in text


def test_repeated_for_more_than_a_year_is_refused(plant, manager, now):
    starts = dt.datetime(2026, 10, 13, 6, 0, tzinfo=zone(plant))
    with pytest.raises(Refused, match="at most 60"):
        stops.add(by=manager, at=now, plant=plant, facts=facts(plant, starts), more_weeks=61)
    assert not StopWindow.objects.exists()
