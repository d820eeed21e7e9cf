"""Changes of the plan: who may, what is kept, what becomes of entries when stops or visits come."""

import datetime as dt

import pytest
from django.db import IntegrityError, transaction

from linelog.alignment.services.visits import sign_visit
from linelog.planning.models import PlannedVisit, StopWindow
from linelog.planning.services import entries as services
from linelog.planning.services import stops
from linelog.web.errors import Conflict, NotAllowed, Refused
from linelog.web.models import AuditEvent
from tests import factories
from tests.planning.conftest import stop
from tests.trends import invented

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("no_ram")]


@pytest.fixture
def entry(plant, machine, manager, now, weeks):
    stop(plant, weeks[1])
    return services.put(
        by=manager, at=now, machine=machine, week=weeks[1], hours=3.0, reason="Domer due.", pinned=False
    )


def moved(entry, manager, now, **more):
    facts = {"version": entry.version, "week": entry.week, "hours": entry.hours, "pinned": entry.is_pinned, **more}
    return services.change(by=manager, at=now, entry=entry, **facts)


class TestChange:
    def test_a_move_grows_the_sequence_and_a_pin_does_not(self, entry, manager, now, weeks):
        one = moved(entry, manager, now, week=weeks[2])
        assert (one.week, one.sequence, one.version, one.window) == (weeks[2], 1, 2, None)
        two = moved(one, manager, now, pinned=True)
        assert (two.sequence, two.version, two.is_pinned) == (1, 3, True)
        assert two.uid == entry.uid

    def test_each_change_is_in_the_history(self, entry, manager, now, weeks):
        moved(entry, manager, now, week=weeks[2])
        event = AuditEvent.objects.filter(object_type="plannedvisit").latest("pk")
        assert (event.action, event.actor_id, event.plant_id) == ("changed plan", manager.pk, manager.plant_id)
        assert event.before["week"] == weeks[1].isoformat()
        assert event.after["week"] == weeks[2].isoformat()

    def test_a_version_that_was_replaced_is_a_conflict(self, entry, manager, now, weeks):
        moved(entry, manager, now, week=weeks[2])
        with pytest.raises(Conflict):
            moved(entry, manager, now, week=weeks[3], version=1)

    @pytest.mark.parametrize("hours", [0.0, -2.0, 1e6])
    def test_hours_that_make_no_sense(self, entry, manager, now, hours):
        with pytest.raises(Refused, match="hours must be above 0"):
            moved(entry, manager, now, hours=hours)

    @pytest.mark.parametrize("days", [-7, 7 * 60])
    def test_weeks_that_are_over_or_far_away(self, entry, manager, now, weeks, days):
        with pytest.raises(Refused, match="this week or one of the coming year"):
            moved(entry, manager, now, week=weeks[0] + dt.timedelta(days=days))

    def test_a_machine_is_in_the_plan_once(self, entry, machine, manager, now, weeks):
        with pytest.raises(Conflict, match="in the plan already"):
            services.put(by=manager, at=now, machine=machine, week=weeks[2], hours=3.0, reason="x", pinned=True)

    def test_taken_out_it_is_kept_as_cancelled_and_changed_no_more(self, entry, manager, now, weeks):
        gone = services.take_out(by=manager, at=now, entry=entry, version=1)
        assert (gone.state, gone.sequence) == ("cancelled", 1)
        with pytest.raises(Refused, match="no longer changed"):
            moved(gone, manager, now, week=weeks[2])

    @pytest.mark.parametrize("role", ["mechanic", "quality", "viewer"])
    def test_others_only_read(self, entry, plant, now, role):
        person = factories.person(role, plant)
        with pytest.raises(NotAllowed):
            moved(entry, person, now)
        with pytest.raises(NotAllowed):
            services.accept(by=person, at=now, plant=plant, changes=[])
        with pytest.raises(NotAllowed):
            stops.add(by=person, at=now, plant=plant, facts={})

    def test_the_manager_of_another_plant_reaches_nothing(self, entry, machine, now, weeks):
        other = factories.person("manager")
        with pytest.raises(NotAllowed):
            moved(entry, other, now)
        with pytest.raises(NotAllowed):
            services.put(by=other, at=now, machine=machine, week=weeks[1], hours=1.0, reason="x", pinned=True)

    def test_the_database_holds_the_rules(self, entry):
        rows = PlannedVisit.objects.filter(pk=entry.pk)
        for wrong in ({"state": "done"}, {"hours": 0.0}):
            with pytest.raises(IntegrityError), transaction.atomic():
                rows.update(**wrong)
        with pytest.raises(IntegrityError), transaction.atomic():
            StopWindow.objects.update(ends_at=dt.datetime(2020, 1, 1, tzinfo=dt.UTC))


class TestDone:
    def test_the_visit_that_is_signed_closes_it(self, entry, machine, manager, now):
        visit = factories.visit(machine, manager, opened_at=now)
        domer = machine.stations.get(kind="domer")
        for stage in ("as_found", "as_left"):
            invented.store([invented.result(visit, domer, stage, (1.0, 1.0))])
        sign_visit(by=manager, visit=visit, at=now + dt.timedelta(hours=2))
        entry.refresh_from_db()
        assert (entry.state, entry.visit, entry.sequence) == ("done", visit, 1)
        assert visit.planned_as == entry

    def test_a_visit_signed_before_it_was_planned_does_not(self, entry, plant, now):
        assert services.close_done(at=now, plant=plant) == 0

    def test_two_visits_close_it_once_and_by_the_first(self, entry, plant, machine, manager, now):
        first, _ = (
            invented.signed_visit(machine, manager, now, signed_at=now + dt.timedelta(hours=hours))
            for hours in (1, 2)
        )
        assert services.close_done(at=now, plant=plant) == 1
        assert services.close_done(at=now, plant=plant) == 0
        entry.refresh_from_db()
        assert entry.visit == first

    def test_both_pages_link_to_each_other(self, entry, plant, machine, manager, now, signed_in):
        visit = invented.signed_visit(machine, manager, now, signed_at=now + dt.timedelta(hours=1))
        services.close_done(at=now, plant=plant)
        client = signed_in(manager)
        assert f"/visits/{visit.pk}/" in client.get(f"/plan/machines/{machine.pk}/").content.decode()
        page = client.get(f"/visits/{visit.pk}/").content.decode()
        assert f"/plan/machines/{machine.pk}/" in page
        assert f"week of {entry.week}" in page


class TestStops:
    def facts(self, entry, **more):
        row = entry.window
        same = {name: getattr(row, name) for name in ("line", "machine", "starts_at", "ends_at", "crews", "note")}
        return {**same, **more}

    def test_an_entry_goes_with_its_stop(self, entry, manager, now):
        later = entry.window.starts_at + dt.timedelta(days=1)
        facts = self.facts(entry, starts_at=later, ends_at=later + dt.timedelta(hours=8))
        stops.change(by=manager, at=now, stop=entry.window, version=1, facts=facts)
        entry.refresh_from_db()
        assert (entry.starts_at, entry.sequence) == (later, 1)

    def test_where_it_is_removed_the_entry_says_that_it_has_none(self, entry, manager, now):
        stops.remove(by=manager, at=now, stop=entry.window, version=1)
        entry.refresh_from_db()
        assert (entry.window, entry.starts_at, entry.sequence) == (None, None, 1)

    def test_a_new_stop_takes_in_what_waits_in_its_week(self, entry, plant, manager, now):
        facts = self.facts(entry)
        stops.remove(by=manager, at=now, stop=entry.window, version=1)
        stop_again = stops.add(by=manager, at=now, plant=plant, facts=facts)
        entry.refresh_from_db()
        assert entry.window == stop_again

    @pytest.mark.parametrize(
        ("hours", "sentence"),
        [
            (-3, "ends before it begins"),
            (0, "ends before it begins"),
            (0.5, "every visit takes 1 h"),
            (2000, "60 days"),
        ],
    )
    def test_what_makes_no_sense(self, entry, plant, manager, now, hours, sentence):
        start = entry.window.starts_at
        facts = self.facts(entry, starts_at=start, ends_at=start + dt.timedelta(hours=hours))
        with pytest.raises(Refused, match=sentence):
            stops.add(by=manager, at=now, plant=plant, facts=facts)

    def test_a_line_of_another_plant(self, entry, plant, manager, now):
        with pytest.raises(Refused, match="not of the plant"):
            stops.add(by=manager, at=now, plant=plant, facts=self.facts(entry, line=factories.line()))
