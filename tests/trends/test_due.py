"""When a machine is due: by what happened, by the risk that grows with its strokes, by time; and its stored drift."""

import datetime as dt
import zoneinfo

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from linelog.alignment.models import Amendment
from linelog.calc.drift import DueBy
from linelog.calc.wander.knowledge import FEWEST
from linelog.calc.wander.said import any_out
from linelog.production.models import DayCount, Event
from linelog.production.services import events, walls
from linelog.production.walls import Can, Ring
from linelog.trends.due.kept import bases, kept_of, offer_overtaken
from linelog.trends.due.places import Place, chance_words, machine_chance_words
from linelog.trends.due.rule import WAITS, Facts, Risk, Trigger, due
from linelog.trends.due.store import refit_drifts
from linelog.trends.due.tracks import Strokes
from linelog.trends.models import MachineDrift, Stale
from linelog.trends.refit import KIND, refresh
from linelog.trends.state.outlook import coming
from linelog.web.models import Job
from tests import factories
from tests.trends import invented

NOW, TODAY = factories.NOW, factories.NOW.date()
pytestmark = pytest.mark.usefixtures("no_ram")

LAST = TODAY - dt.timedelta(days=30)


def risk(left, a_day=0.4):
    return Risk("Domer", 20.0, left, a_day, TODAY - dt.timedelta(days=1))


class TestRule:
    def test_never_measured(self):
        assert due(Facts(None, 120), TODAY).words == "due: never measured"

    def test_the_time_limit_where_nothing_comes_sooner(self):
        found = due(Facts(LAST, 120), TODAY)
        assert (found.is_due, found.on, found.by) == (False, LAST + dt.timedelta(days=120), DueBy.TIME)

    def test_the_risk_comes_sooner_and_is_reckoned_from_the_last_counted_day(self):
        found = due(Facts(LAST, 120, risk(8.0)), TODAY)
        assert (found.is_due, found.on, found.by) == (False, TODAY + dt.timedelta(days=19), DueBy.RISK)
        assert found.why == "The risk that a station is out reaches 20 %, likeliest Domer."

    def test_a_risk_that_passed_says_since_when(self):
        found = due(Facts(LAST, 120, risk(-4.0)), TODAY)
        assert (found.is_due, found.on) == (True, TODAY - dt.timedelta(days=11))

    def test_a_risk_that_passed_before_the_last_visit_says_that_the_visit_left_the_place_out(self):
        found = due(Facts(LAST, 120, risk(-15.0)), TODAY)
        assert (found.is_due, found.on) == (True, TODAY - dt.timedelta(days=39))
        assert found.words.endswith(": risk at Domer, which the last visit did not measure")
        assert found.why.endswith("reaches 20 %, likeliest Domer, which the last visit did not measure.")

    def test_a_risk_beyond_the_time_limit_leaves_it_at_that(self):
        assert due(Facts(LAST, 120, risk(60.0)), TODAY).by is DueBy.TIME

    def test_without_counts_no_risk_comes_nearer(self):
        assert due(Facts(LAST, 120, risk(8.0, None)), TODAY).by is DueBy.TIME

    def test_what_happened_makes_it_due_at_once_and_is_told(self):
        jam = Trigger(TODAY - dt.timedelta(days=2), "Jam", "at the locator")
        found = due(Facts(LAST, 120, risk(8.0), [jam]), TODAY)
        assert (found.is_due, found.on, found.by) == (True, jam.on, DueBy.TRIGGER)
        assert found.why == f"Jam on {jam.on} (at the locator)."


@pytest.mark.parametrize(
    ("chance", "most", "told"),
    [(None, 0.9, "not known"), (0.234, 0.9, "23 %"), (0.95, 0.9, "over 90 %"), (0.04, 0.5, "under 10 %"),
     (0.234, 0.5, "10–30 %"), (0.4, 0.5, "30–50 %"), (0.7, 0.5, "over 50 %")],
)  # fmt: skip
def test_a_figure_is_told_where_enough_was_learned_from_and_a_band_where_little(chance, most, told):
    assert chance_words(chance, most) == told


@pytest.mark.parametrize(
    ("chance", "most", "told"),
    [(None, 0.5, "not known"), (0.96, 0.9, "96 %"), (0.12, 0.5, "under 40 %"), (0.4, 0.5, "40–60 %"),
     (0.96, 0.5, "over 60 %")],
)  # fmt: skip
def test_of_a_machine_wider_bands_are_told(chance, most, told):
    """On 68 small plants made by somebody else machines said 20 to 30 % were out in 35; in these 33, 53, 75."""
    assert machine_chance_words(chance, most) == told


def test_strokes_of_the_visits_own_day_were_made_before_it():
    days = np.arange("2026-01-01", "2026-01-11", dtype="datetime64[D]")
    strokes = Strokes.of(days, np.full(10, 400_000))
    assert strokes.between(dt.date(2026, 1, 3), dt.date(2026, 1, 5)) == pytest.approx(0.8)
    assert strokes.between(dt.date(2025, 1, 1), dt.date(2027, 1, 1)) == pytest.approx(4.0)
    assert Strokes.of([], []).between(TODAY, TODAY) == 0.0


@pytest.fixture
def machine(db):
    return factories.machine(factories.line(factories.plant(timezone="UTC")))


@pytest.fixture
def by(machine):
    return factories.person("manager", machine.line.plant)


OFFSETS = tuple((3.0 + 4.0 * (n % 3), -2.0 - 5.0 * (n % 4)) for n in range(FEWEST + 2))


def wander(machine, by, offsets=OFFSETS, every=20):
    """Visits at which the domer is found so far off and left on the line, each day 0.4 million cans between."""
    domer = machine.stations.get(kind="domer")
    rows = []
    for number, xy in enumerate(offsets):
        at = NOW - dt.timedelta(days=every * (len(offsets) - number))
        visit = invented.signed_visit(machine, by, at)
        rows.append(invented.result(visit, domer, "as_found", xy, expanded_um=2.0))
        rows.append(invented.result(visit, domer, "as_left", (0.0, 0.0), expanded_um=2.0))
    invented.store(rows)
    days = every * (len(offsets) + 1)
    DayCount.objects.bulk_create(
        DayCount(machine=machine, day=TODAY - dt.timedelta(days=number), cans=400_000) for number in range(days)
    )
    return domer


def stored(machine):
    refit_drifts(machine.line.plant, NOW)
    return MachineDrift.objects.get(machine=machine)


class TestStored:
    def test_what_is_stored_rests_on_its_visits(self, machine, by):
        domer = wander(machine, by)
        row = stored(machine)
        place = Place.of(row.places[0])
        assert (place.station, place.pairs, place.left_um) == (domer.pk, FEWEST + 1, [0.0, 0.0])
        assert place.pair_million == pytest.approx(8.0 * (FEWEST + 1))
        assert place.is_known
        assert np.hypot(*place.mean_um) < 2.0  # left on the line, and read so
        assert row.since == (NOW - dt.timedelta(days=20)).date()

    def test_at_the_strokes_it_says_the_chance_is_the_plants_risk(self, machine, by):
        wander(machine, by)
        row = stored(machine)
        place = Place.of(row.places[0])
        assert place.chance_after(place.due_million) == pytest.approx(0.20, abs=1e-6)
        assert any_out(place.chance_after([row.due_million])[None], row.together) == pytest.approx(0.5, abs=1e-3)
        assert row.driver_place == "Domer"

    def test_a_place_of_few_visits_leans_on_the_plants_others_of_its_kind(self, machine, by):
        """Found far off, the domers of the plant make a new one likelier out than one of a plant that stays."""
        far = tuple((20.0 + 6.0 * (n % 3), -15.0 - 5.0 * (n % 4)) for n in range(FEWEST + 2))
        wander(machine, by, far)
        new = factories.machine(machine.line)
        wander(new, by, OFFSETS[:1])
        calm = factories.machine(factories.line(factories.plant(timezone="UTC")))
        wander(calm, factories.person("manager", calm.line.plant), tuple((1.0, 1.0) for _ in range(FEWEST + 2)))
        other = factories.machine(calm.line)
        wander(other, by, OFFSETS[:1])
        likely, unlikely = (Place.of(stored(one).places[0]) for one in (new, other))
        assert likely.pairs == unlikely.pairs == 0
        assert likely.chance_after(8.0) > 3.0 * unlikely.chance_after(8.0)

    def test_too_little_in_the_whole_plant_leaves_the_time_limit_and_says_so(self, machine, by):
        wander(machine, by, OFFSETS[:2])
        row = stored(machine)
        assert row.due_million is None
        assert "found again after a visit 1 times" in Place.of(row.places[0]).why_not
        assert invented.due_of(machine, LAST, NOW, TODAY).by is DueBy.TIME

    def test_a_row_of_the_older_way_of_reckoning_stays_readable(self):
        """As it was kept before the plant was learned from: the place as left, and no chance."""
        kept = {
            "station": 1, "seat": "", "method": "static", "kind": "domer", "left_on": "2026-06-01",
            "left_um": [3.0, 4.0], "u_um": 1.0, "limit_um": 38.0, "pairs": 4, "pooled": False, "pair_million": 32.0,
            "mean_um": [0.1, 0.2], "cov_um2": [[1.0, 0.0], [0.0, 1.0]], "mean_cov_um2": [[0.1, 0.0], [0.0, 0.1]],
            "due_million": 12.0, "why_not": "",
        }  # fmt: skip
        place = Place.of(kept)
        assert (place.is_known, place.due_million, place.mean_um) == (False, None, [3.0, 4.0])
        assert place.why_not == "Its risk is being worked out anew."
        assert len(place.ahead) == 7

    def test_a_jam_since_the_visit_raises_the_risk(self, machine, by):
        wander(machine, by)
        before = Place.of(stored(machine).places[0])
        Event.objects.create(machine=machine, at=NOW - dt.timedelta(days=5), kind="jam", by=by)
        after = Place.of(stored(machine).places[0])
        assert after.chance[10] > before.chance[10] + 0.002

    def test_after_work_nothing_ties_to_what_was_before_and_a_jam_is_counted_as_one(self, machine, by):
        wander(machine, by)
        Event.objects.create(machine=machine, at=NOW - dt.timedelta(days=50), kind="jam", by=by)
        Event.objects.create(machine=machine, at=NOW - dt.timedelta(days=70), kind="metal", by=by)
        assert Place.of(stored(machine).places[0]).pairs == FEWEST + 1
        Event.objects.create(machine=machine, at=NOW - dt.timedelta(days=90), kind="ram_work", by=by)
        assert Place.of(stored(machine).places[0]).pairs == 3

    def test_a_pair_without_counts_is_left_out(self, machine, by):
        wander(machine, by)
        DayCount.objects.filter(day__lte=TODAY - dt.timedelta(days=79)).delete()
        refit_drifts(machine.line.plant, NOW)
        assert Place.of(stored(machine).places[0]).pairs == 3

    def test_an_amendment_changes_what_is_stored(self, machine, by):
        wander(machine, by)
        first = stored(machine)
        Amendment.objects.create(
            visit=machine.visits.earliest("opened_at"),
            station=first.driver, stage="as_left", reason="slipped", x_um=9.0, y_um=0.0, by=by, at=NOW,
        )  # fmt: skip
        assert kept_of([machine.pk]).overtaken == {machine.pk}
        assert stored(machine).places[0]["chance"] != first.places[0]["chance"]
        assert kept_of([machine.pk]).overtaken == frozenset()

    @pytest.mark.parametrize("change", ["risk", "limit"])
    def test_another_risk_or_limit_is_another_day(self, machine, by, change):
        domer = wander(machine, by)
        before, first = bases([machine.pk]), stored(machine).due_million
        if change == "risk":
            type(machine.line.plant).objects.update(machine_risk_percent=5.0)
        else:
            domer.limit_um, domer.version = 20.0, 2
            domer.save()
        assert bases([machine.pk]) != before
        assert stored(machine).due_million < first


def told(machine):
    return coming(machine.line.plant, 2, at=NOW, only=machine).machines[machine.pk]


class TestOvertaken:
    """Between a change of the log and the worker no page tells a risk, and none works one out."""

    def test_until_the_worker_was_there_a_page_says_so_and_writes_nothing(self, machine, by, signed_in):
        wander(machine, by)
        DayCount.objects.update(tear_offs=20)
        before, known = stored(machine), told(machine)
        assert known.chance is not None
        assert sum(known.money) > 0.0
        visit = invented.signed_visit(machine, by, NOW - dt.timedelta(days=1))
        invented.store([invented.result(visit, before.driver, "as_found", (9.0, 0.0))])
        client = signed_in(by)
        for url in (f"/machines/{machine.pk}/", reverse("planning:machine", args=[machine.pk]), "/"):
            with CaptureQueriesContext(connection) as asked:
                assert WAITS in client.get(url).content.decode()
            assert not [
                one["sql"] for one in asked if "trends_" in one["sql"] and not one["sql"].startswith("SELECT")
            ]
        one = told(machine)
        assert (one.due.by, one.chance, one.a_week_known, sum(one.money)) == (DueBy.TIME, None, None, 0.0)
        assert {place.place.why_not for place in one.places} == {"Its risk is being worked out anew."}
        assert MachineDrift.objects.get(machine=machine).at == before.at
        refit_drifts(machine.line.plant, NOW)
        assert told(machine).chance is not None
        assert WAITS not in client.get(f"/machines/{machine.pk}/").content.decode()

    def test_a_machine_without_a_visit_waits_for_nothing(self, machine):
        assert kept_of([machine.pk]).overtaken == frozenset()
        assert not told(machine).facts.overtaken

    def test_what_nobody_told_of_is_found_by_the_beat_once(self, machine, by):
        domer = wander(machine, by)
        plant = machine.line.plant
        refresh(plant, NOW)
        offer_overtaken(NOW)
        assert not Job.objects.exists()
        domer.limit_um, domer.version = 20.0, 2
        domer.save()
        for _ in range(2):
            offer_overtaken(NOW)
        assert [job.plant_id for job in Job.objects.filter(kind=KIND)] == [plant.pk]
        assert Stale.objects.filter(machine=machine).exists()
        refresh(plant, NOW)
        assert kept_of([machine.pk]).overtaken == frozenset()
        assert not Stale.objects.exists()

    def test_an_event_taken_out_has_the_machine_worked_out_anew(self, machine, by):
        wander(machine, by)
        jam = Event.objects.create(machine=machine, at=NOW - dt.timedelta(days=50), kind="jam", by=by)
        Event.objects.create(machine=machine, at=NOW - dt.timedelta(days=40), kind="jam", by=by)
        refresh(machine.line.plant, NOW)
        events.take_out(by=by, at=NOW, event=jam)
        assert Stale.objects.filter(machine=machine).exists()


class TestNow:
    def ask(self, machine, last=None):
        last = last or machine.visits.latest("opened_at").opened_at.date()
        return invented.due_of(machine, last, NOW, TODAY)

    def test_strokes_since_the_visit_bring_the_day_nearer(self, machine, by):
        wander(machine, by)
        type(machine.line.plant).objects.update(longest_interval_days=1000)
        machine.line.plant.longest_interval_days = 1000  # the risk comes first
        until = stored(machine).due_million
        found = self.ask(machine)
        assert found.by is DueBy.RISK
        since = NOW.date() - dt.timedelta(days=20)
        assert abs((found.on - since).days - until / 0.4) <= 1.0

    def test_a_jam_after_the_visit_and_none_before(self, machine, by):
        wander(machine, by)
        Event.objects.create(machine=machine, at=NOW - dt.timedelta(days=25), kind="crash", by=by)
        assert self.ask(machine).by is not DueBy.TRIGGER
        Event.objects.create(machine=machine, at=NOW - dt.timedelta(days=3), kind="crash", note="Cup", by=by)
        found = self.ask(machine)
        assert (found.by, found.why) == (DueBy.TRIGGER, f"Crash on {TODAY - dt.timedelta(days=3)} (Cup).")

    def test_tear_offs_beyond_chance_above_the_poor_level_raise_the_alarm(self, machine, by):
        """Seven days of 0.4 million at 330 tear-offs: 118 per million, and the exact interval begins above 100."""
        wander(machine, by)
        week = DayCount.objects.filter(day__gt=TODAY - dt.timedelta(days=7))
        week.update(tear_offs=42)
        assert self.ask(machine).by is not DueBy.TRIGGER
        week.update(tear_offs=47)
        assert "Tear-off alarm" in self.ask(machine).why

    def test_the_newest_can_since_the_visit_raises_the_wall_alarm(self, machine, by):
        """Readings 0, 8, 16 and 8 um apart round the can: 16 um of variation, and the plant acts at 12.5."""
        wander(machine, by)

        def can(hours, size):
            readings = tuple(zip((0.0, 90.0, 180.0, 270.0), (98.0, 98.0 + size / 2, 98.0 + size, 98.0 + size / 2),
                                 ("0",) * 4, strict=True))  # fmt: skip
            ring = Ring(60.0, readings)
            walls.enter(by=by, at=NOW, can=Can(machine, NOW - dt.timedelta(hours=hours), "crank", 1.0, "mm", (ring,)))

        can(24 * 25, 16.0)  # before the visit
        assert self.ask(machine).by is not DueBy.TRIGGER
        can(30, 16.0)
        assert "Wall alarm" in self.ask(machine).why
        can(20, 1.0)  # a newer one is good again
        assert self.ask(machine).by is not DueBy.TRIGGER

    def test_the_page_and_the_front_page_say_the_same(self, machine, by, signed_in):
        wander(machine, by)
        client = signed_in(by)
        Event.objects.create(machine=machine, at=NOW - dt.timedelta(days=3), kind="crash", note="Cup", by=by)
        words = f"due since {TODAY - dt.timedelta(days=3)}: crash"
        assert words in client.get(f"/machines/{machine.pk}/").content.decode()
        assert words in client.get("/").content.decode()


class TestBeforeTheDaysStart:
    """At two at night the wall clock shows a new day, and the production day is still the one before."""

    @pytest.fixture
    def machine(self, db):
        made = factories.machine(factories.line(factories.plant(timezone="Europe/Berlin", day_starts=dt.time(6))))
        made.by = factories.person("manager", made.line.plant)
        return made

    @staticmethod
    def berlin(day, hour, minute=0):
        return dt.datetime(2026, 6, day, hour, minute, tzinfo=zoneinfo.ZoneInfo("Europe/Berlin"))

    def due_at(self, machine, at):
        return coming(machine.line.plant, 2, at=at, only=machine).machines[machine.pk].due

    def test_a_jam_is_of_the_day_that_the_clock_showed(self, machine):
        invented.signed_visit(machine, machine.by, self.berlin(16, 0, 30))
        Event.objects.create(machine=machine, at=self.berlin(16, 1), kind=Event.Kind.JAM, by=machine.by)
        found = self.due_at(machine, self.berlin(16, 2))
        assert (found.is_due, found.on) == (True, dt.date(2026, 6, 16))

    def test_cans_of_the_day_that_began_after_the_visit_are_after_it(self, machine):
        """The visit at two lies in the production day of the 15th: the cans of the 16th were all made after it."""
        invented.signed_visit(machine, machine.by, self.berlin(16, 2))
        DayCount.objects.create(machine=machine, day=dt.date(2026, 6, 16), cans=400_000, spoiled=0, tear_offs=900)
        found = self.due_at(machine, self.berlin(17, 7))
        assert (found.is_due, found.by) == (True, DueBy.TRIGGER)
        assert "Tear-off alarm" in found.why

    @pytest.mark.parametrize(("hour", "is_due"), [(2, False), (6, True)])
    def test_a_risk_is_reached_with_the_production_day_and_the_time_limit_with_the_calendar(self, hour, is_due):
        today, at_two = dt.date(2026, 6, 16), dt.date(2026, 6, 15)
        producing = today if is_due else at_two
        reached = Risk("Domer", 20.0, 0.8, 0.4, dt.date(2026, 6, 14))
        found = due(Facts(today - dt.timedelta(days=30), 120, reached), today, producing)
        assert (found.on, found.by, found.is_due) == (today, DueBy.RISK, is_due)
        by_time = due(Facts(today - dt.timedelta(days=120), 120), today, producing)
        assert (by_time.on, by_time.is_due) == (today, True)
