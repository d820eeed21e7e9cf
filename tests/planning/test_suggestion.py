"""What is to be expected of machines, and the plan that avoids most within hours and stops."""

import datetime as dt

import numpy as np
import pytest
from django.core.cache import cache

from linelog.calc.loss import Running, weekly_excess
from linelog.planning import suggest as suggesting
from linelog.planning.capacity import capacity_of
from linelog.planning.grid import grid, outside
from linelog.planning.models import Stretch
from linelog.planning.places import place_in
from linelog.planning.queries import open_entries
from linelog.planning.services import entries as services
from linelog.planning.suggest import avoided_by, stops_in, suggest
from linelog.production.models import DayCount, Event
from linelog.trends.due.store import refit_drifts
from linelog.trends.models import MachineDrift
from linelog.trends.state.outlook import coming
from linelog.trends.state.work import Kind
from tests import factories
from tests.planning.conftest import measured, stop

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("no_ram")]


def look(plant, now, number=4):
    found = coming(plant, number, at=now)
    stops = stops_in(plant.pk, now, now + dt.timedelta(days=7 * number))
    return found, stops, suggest(found, stops, open_entries(plant), capacity_of(plant, found.weeks, now))


class TestOutlook:
    def test_loss_of_the_coming_weeks_by_hand(self, plant, machine, now):
        """The same figures from the counts, the severities and the plant's assumed 30 %, put together here."""
        one = coming(plant, 4, at=now).machines[machine.pk]
        totals = DayCount.objects.filter(machine=machine).order_by("-day")[:28]
        made = sum(row.cans + row.spoiled for row in totals)
        spoiled, torn = sum(row.spoiled for row in totals), sum(row.tear_offs for row in totals)
        place = one.places[0]
        ahead = place.done_million + np.array([0.0, 3.5, 10.5, 17.5, 24.5]) * made / 28 / 1e6
        kept, start = place.place, np.array(place.place.mean_um)
        square = ((start + np.array(kept.creep_um) * ahead[:, None]) ** 2).sum(axis=1)
        square = square + kept.walk_um2 * ahead + kept.doubt_um2 * ahead**2
        severity = np.minimum(np.sqrt(square) / 38.0, 3.0)
        assert one.severity == pytest.approx(severity[0])
        running = Running(1e6 * spoiled / made, severity[0], made / 4 / 1e6)
        cans = weekly_excess(running, severity[1:], after=one.left_severity, ratio=1.3)
        assert one.cans == pytest.approx(cans.tolist())
        tear = weekly_excess(Running(1e6 * torn / made, severity[0], made / 4 / 1e6), severity[1:],
                             after=one.left_severity, ratio=1.3)  # fmt: skip
        assert one.money == pytest.approx((cans * 0.03 + tear * 6.0 * 12.0).tolist())

    def test_each_place_counts_the_strokes_since_it_was_left_itself(self, plant, machine, now):
        drift = MachineDrift.objects.get(machine=machine)
        other = drift.since - dt.timedelta(days=20)
        drift.places[0]["left_on"] = other.isoformat()
        MachineDrift.objects.filter(pk=drift.pk).update(places=drift.places)
        places = coming(plant, 4, at=now).machines[machine.pk].places
        for one, since in zip(places, [other] + [drift.since] * 9, strict=False):
            rows = DayCount.objects.filter(machine=machine, day__gt=since)
            assert one.done_million == pytest.approx(sum(row.cans + row.spoiled for row in rows) / 1e6)

    def test_counts_that_came_in_are_in_the_next_answer(self, plant, machine, now):
        before = coming(plant, 4, at=now).machines[machine.pk]
        newest = DayCount.objects.filter(machine=machine).order_by("-day").first()
        newest.spoiled += 1_000_000
        newest.save()
        after = coming(plant, 4, at=now).machines[machine.pk]
        assert after.places[0].done_million == pytest.approx(before.places[0].done_million + 1.0)
        assert after.a_week > before.a_week
        assert after.due.on <= before.due.on

    def test_a_check_by_risk_costs_the_sweep_of_what_may_have_wandered_and_opens_nothing(self, plant, machine, now):
        one = coming(plant, 4, at=now).machines[machine.pk]
        assert (one.work.kind, one.opens, one.work.sweeps) == (Kind.MEASURE, (), ("Domer",))
        assert one.hours == pytest.approx(1.0 + 8 / 60, abs=0.005)

    def test_an_alignment_costs_opening_what_is_out_and_sweeping_that_again(self, plant, machine, now):
        domer = machine.stations.get(kind="domer")
        last = machine.visits.latest("opened_at")
        domer_left = last.results.get(station=domer, stage="as_left")
        type(domer_left).objects.filter(pk=domer_left.pk).update(
            x_um=80.0, radial_um=80.0, severity=80 / 38, verdict="out"
        )
        one = coming(plant, 4, at=now).machines[machine.pk]
        assert (one.work.kind, one.opens) == (Kind.ALIGN, ("Domer",))
        seats = sum(len(station.seats) for station in machine.stations.all())
        assert one.hours == pytest.approx(1.0 + (seats + 1) * 8 / 60 + 1.0, abs=0.005)
        assert one.due.words.startswith("due since")
        assert "Domer is out" in one.due.why

    def test_after_a_jam_everything_is_swept_nothing_opened_and_it_is_reckoned_at_its_limit(
        self, plant, machine, manager, now
    ):
        Event.objects.create(machine=machine, at=now - dt.timedelta(days=1), kind="jam", by=manager)
        one = coming(plant, 4, at=now).machines[machine.pk]
        assert one.due.is_due
        assert one.opens == ()
        assert one.work.all_swept
        seats = sum(len(station.seats) for station in machine.stations.all())
        assert one.hours == pytest.approx(1.0 + seats * 8 / 60, abs=0.005)
        assert one.severity >= 1.0

    def test_never_measured_and_never_counted_is_due_and_its_loss_not_known(self, plant, line, now):
        machine = factories.machine(line)
        one = coming(plant, 4, at=now).machines[machine.pk]
        assert (one.due.is_due, one.known, one.money) == (True, False, (0.0,) * 4)

    def test_one_visit_alone_leaves_the_time_limit(self, plant, line, manager, now):
        machine = measured(line, manager, now)
        machine.visits.exclude(pk=machine.visits.latest("opened_at").pk).delete()
        refit_drifts(plant, now)
        one = coming(plant, 4, at=now).machines[machine.pk]
        assert one.places[0].chance is None
        assert "found again after a visit 0 times" in one.places[0].place.why_not
        assert one.opens == ()


class TestSuggestion:
    def test_the_worse_machine_goes_first_and_what_is_left_out_says_why(self, plant, line, manager, now, weeks):
        worse = measured(line, manager, now, name="BM worse", size=2.0)
        better = measured(line, manager, now, name="BM better", size=1.0)
        stop(plant, weeks[1], line=line, hours=2)
        _, _, found = look(plant, now)
        assert [(one.machine, one.week) for one in found.changes] == [(worse.pk, weeks[1])]
        (left,) = found.left_out
        assert left.outlook.machine == better
        assert "For an hour's work" in left.why

    def test_no_stop_no_hours_too_long_and_not_due_are_each_a_sentence(self, plant, line, manager, now, weeks):
        machine = measured(line, manager, now, size=2.0)
        assert "has no stop" in look(plant, now)[2].left_out[0].why
        window = stop(plant, weeks[1], line=line, hours=1.1)
        assert "the longest stop has 1.1 h" in look(plant, now)[2].left_out[0].why
        window.ends_at += dt.timedelta(hours=8)
        window.save()
        plant.crew_hours_per_week = 0.0
        assert "the crew has 0 h in the week of a stop" in look(plant, now)[2].left_out[0].why
        plant.crew_hours_per_week, plant.risk_percent = 20.0, 99.9
        type(plant).objects.update(risk_percent=99.9)
        machine.stations.update(limit_um=5000.0)
        machine.stations.update(version=7)
        assert "Not due before" in look(plant, now)[2].left_out[0].why

    def test_a_due_machine_without_counts_is_planned_where_there_is_room(self, plant, line, now, weeks):
        machine = factories.machine(line)
        stop(plant, weeks[1], hours=20)
        assert [one.machine for one in look(plant, now)[2].changes] == [machine.pk]

    def test_a_stop_of_another_line_or_machine_is_none(self, plant, machine, now, weeks):
        stop(plant, weeks[1], line=factories.line(plant), hours=20)
        stop(plant, weeks[1], machine=factories.machine(factories.line(plant)), hours=20)
        (left, *_) = [one for one in look(plant, now)[2].left_out if one.outlook.machine == machine]
        assert "has no stop" in left.why

    def test_what_is_pinned_stays_and_its_hours_are_gone(self, plant, line, manager, now, weeks):
        worse = measured(line, manager, now, name="BM worse", size=2.0)
        better = measured(line, manager, now, name="BM better", size=0.8)
        window = stop(plant, weeks[1], line=line, hours=2)
        entry = services.put(
            by=manager, at=now, machine=better, week=weeks[1], hours=1.5, reason="Asked for.", pinned=True
        )
        assert entry.window == window
        _, _, found = look(plant, now)
        assert found.changes == ()
        assert [one.outlook.machine for one in found.left_out] == [worse]
        type(entry).objects.update(is_pinned=False)
        _, _, found = look(plant, now)
        assert {one.machine: one.week for one in found.changes} == {worse.pk: weeks[1], better.pk: None}
        assert found.avoided > found.avoided_now

    def test_one_search_for_one_state(self, plant, machine, now, weeks, monkeypatch):
        stop(plant, weeks[1])
        first = look(plant, now)[2]
        monkeypatch.setattr(suggesting, "make_plan", None)  # a second search would break
        assert look(plant, now)[2] == first
        cache.clear()
        with pytest.raises(TypeError):
            look(plant, now)

    def test_a_visit_avoids_half_of_its_week_and_all_later_ones(self, plant, machine, now):
        one = coming(plant, 3, at=now).machines[machine.pk]
        assert avoided_by(one, 1) == pytest.approx(0.5 * one.money[1] + one.money[2])


class TestWhereItGoes:
    def put(self, by, now, machine, week, hours=3.0):
        return services.put(by=by, at=now, machine=machine, week=week, hours=hours, reason="Due.", pinned=False)

    def test_one_after_the_other_and_side_by_side_where_there_are_crews(self, plant, line, manager, now, weeks):
        window = stop(plant, weeks[1], hours=8, crews=1)
        one, two = (self.put(manager, now, factories.machine(line), weeks[1]) for _ in range(2))
        assert one.starts_at == window.starts_at
        assert two.starts_at == window.starts_at + dt.timedelta(hours=3)
        type(window).objects.update(crews=2)
        three = self.put(manager, now, factories.machine(line), weeks[1])
        assert three.starts_at == window.starts_at

    def test_its_own_stop_before_the_lines_before_the_plants(self, plant, machine, manager, now, weeks):
        stop(plant, weeks[1])
        stop(plant, weeks[1], line=machine.line)
        own = stop(plant, weeks[1], machine=machine, day=4)
        assert self.put(manager, now, machine, weeks[1]).window == own

    def test_no_stop_is_said_and_so_is_an_overbooked_one(self, plant, line, manager, now, weeks):
        first = self.put(manager, now, factories.machine(line), weeks[2])
        assert (first.window, first.starts_at) == (None, None)
        stop(plant, weeks[1], hours=4)
        entries = [self.put(manager, now, factories.machine(line), weeks[1], 3.0) for _ in range(2)]
        plant.crew_hours_per_week = 5.0
        found, stops, _ = look(plant, now)
        _, busy, empty, _ = grid(found, stops, open_entries(plant), capacity_of(plant, found.weeks, now), frozenset())
        assert (busy.hours, busy.over) == (6.0, pytest.approx(1.0))
        assert all("overbooked: 6 h of work in 4 h" in one.troubles[0] for one in busy.shown)
        assert "No stop of its machine" in empty.shown[0].troubles[0]
        assert {one.entry.pk for one in busy.shown} == {one.pk for one in entries}

    def test_a_week_that_is_over_is_shown_as_such(self, plant, machine, manager, now, weeks):
        entry = self.put(manager, now, machine, weeks[0])
        type(entry).objects.update(week=weeks[0] - dt.timedelta(days=7))
        found, _, _ = look(plant, now)
        (late,) = outside(found, open_entries(plant), now)
        assert "week is over" in late.troubles[0]
        assert late.later == weeks[0]

    def test_a_wanted_stop_is_taken(self, plant, machine, manager, now, weeks):
        entry = self.put(manager, now, machine, weeks[1])
        stop(plant, weeks[1])
        other = stop(plant, weeks[1], day=4)
        assert place_in(entry, now, other) == (Stretch(other, other.starts_at, entry.hours),)
