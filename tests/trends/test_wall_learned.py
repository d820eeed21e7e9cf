"""The plant's ratio of wall to offset is kept, and what is kept is never shown where the log says something else."""

import datetime as dt

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from linelog.alignment.models import Amendment, MoveMade, Visit
from linelog.plant.models import Fitting, Station, ToolingSet
from linelog.plant.services import stations
from linelog.production.models import Event, WallSample
from linelog.production.services import walls
from linelog.production.walls import Can, Ring
from linelog.trends import wall_learned
from linelog.trends.models import Fit
from linelog.trends.wall import load
from linelog.trends.wall_learned import KIND, learned, refit_wall
from tests import factories
from tests.trends.test_wall_page import days_ago, measured, pack, sampled

pytestmark = pytest.mark.django_db


class Site:
    """A plant of which two machines were measured and sampled, the walls a third of the running offsets."""

    def __init__(self, pairs=4):
        self.now = timezone.now()
        self.machine = factories.machine(name="BM 1")
        self.sister = factories.machine(self.machine.line, name="BM 2")
        self.plant = self.machine.line.plant
        self.mechanic, self.manager = (factories.person(role, self.plant) for role in ("mechanic", "manager"))
        rng = np.random.default_rng(4)
        for number in range(pairs):
            on = self.sister if number % 3 == 2 else self.machine
            for method in ("static", "running"):
                offset = rng.normal(0.0, 12.0, 2)
                measured(on, self.mechanic, self.ago(20 * (number + 1)), tuple(offset), method=method)
            for day in (2, 3):
                self.sample(on, 20 * (number + 1) - day, tuple(0.3 * offset + rng.normal(0.0, 0.7, 2)))
        self.changed = None

    def ago(self, days):
        return days_ago(self.now, days)

    def sample(self, on, days, thick):
        return sampled(on, self.mechanic, self.ago(days), thick, noise=0.3)

    def last(self):
        return WallSample.objects.filter(machine=self.machine).latest("taken_at")

    # What changes in the log of the first machine, all of it between its last visit, 20 days ago, and the cans after.

    def a_can_entered(self):
        self.sample(self.machine, 16, (5.0, -5.0))

    def a_can_corrected(self):
        rings = (Ring(60.0, tuple((90.0 * n, 100.0 + n, "0.1") for n in range(4))),)
        can = Can(self.machine, self.last().taken_at, "crank", 1.0, "mm", rings)
        walls.correct(by=self.mechanic, at=self.now, sample=self.last(), can=can, version=1)

    def a_can_taken_out(self):
        walls.take_out(by=self.mechanic, at=self.now, sample=self.last(), version=1)

    def one_can_for_another(self):
        """As many as before."""
        self.a_can_taken_out()
        self.a_can_entered()

    def a_visit_signed(self):
        measured(self.machine, self.mechanic, self.ago(19), (30.0, 1.0))

    def amend(self, **more):
        visit = Visit.objects.filter(machine=self.machine).latest("signed_at")
        about = {"visit": visit, "station": pack(self.machine), "stage": "as_left", "by": self.mechanic}
        seat = visit.results.first().seat
        Amendment.objects.create(**about, seat=seat, reason="Typed wrongly", at=self.now, **more)

    def a_value_amended(self):
        self.amend(x_um=-9.0, y_um=4.0)

    def a_value_set_aside(self):
        self.amend(set_aside=True)

    def a_move(self, days=19, **more):
        visit = factories.visit(self.machine, self.mechanic, opened_at=self.ago(days))
        facts = {"station": pack(self.machine), "unit": "mm", "words": "Shim out", "by": self.mechanic}
        self.changed = MoveMade.objects.create(visit=visit, at=visit.opened_at, **facts, **more)

    def two_moves(self):
        self.a_move()
        self.a_move()

    def one_for_two(self):
        """A later one, whose key happens to be the sum of theirs."""
        keys = MoveMade.objects.values_list("pk", flat=True)
        key = sum(keys)
        MoveMade.objects.all().delete()
        self.a_move(16, pk=key)

    def a_bushing_moved(self):
        self.a_move()
        MoveMade.objects.update(station=self.machine.stations.get(kind="rear_bushing"))

    def the_move_taken_back(self):
        self.changed.delete()

    def its_visit_dropped(self):
        Visit.objects.filter(pk=self.changed.visit_id).update(state="dropped", dropped_why="Called away.")

    def tools_changed(self):
        tools = ToolingSet.objects.create(plant=self.plant, name="Set 9")
        Fitting.objects.create(tooling_set=tools, machine=self.machine, fitted_at=self.ago(19))

    def the_fitting_put_right(self):
        """As the administrator does it, which counts its version up."""
        Fitting.objects.update(fitted_at=self.ago(16), version=2)

    def a_crash(self):
        Event.objects.create(machine=self.machine, at=self.ago(19), kind="crash", by=self.mechanic)

    def its_time_put_right(self):
        """As the administrator does it; an event has no version."""
        Event.objects.update(at=self.ago(16))

    def it_was_a_jam(self):
        Event.objects.update(kind="jam")

    def it_is_taken_out(self):
        Event.objects.all().delete()

    def the_pack_out_of_use(self):
        stations.set_active(by=self.manager, at=self.now, station=pack(self.machine), version=1, active=False)

    def the_pack_is_none(self):
        """It was set up as something else all the while."""
        row, facts = pack(self.machine), {"kind": Station.Kind.OTHER}
        stations.change_station(by=self.manager, at=self.now, station=row, version=1, facts=facts)

    def live(self, now=None):
        """What the log says with nothing kept."""
        Fit.objects.filter(kind=KIND).delete()
        return learned(self.plant, now or self.now)


@pytest.fixture
def site():
    return Site()


@pytest.fixture
def worked_out(monkeypatch):
    """The machines that are worked out from the log, in a list that grows."""
    seen, really = [], wall_learned._pairs
    monkeypatch.setattr(wall_learned, "_pairs", lambda ids, since: seen.append(sorted(ids)) or really(ids, since))
    return seen


STEPS = [
    ("a_can_entered",),
    ("a_can_corrected",),
    ("a_can_taken_out",),
    ("one_can_for_another",),
    ("a_visit_signed",),
    ("a_value_amended",),
    ("a_value_set_aside",),
    ("a_move", "the_move_taken_back"),
    ("a_move", "its_visit_dropped"),
    ("a_bushing_moved",),
    ("two_moves", "one_for_two"),
    ("tools_changed", "the_fitting_put_right"),
    ("a_crash", "its_time_put_right"),
    ("a_crash", "it_was_a_jam"),
    ("a_crash", "it_is_taken_out"),
    ("the_pack_out_of_use",),
    ("the_pack_is_none",),
]


@pytest.mark.parametrize("steps", STEPS, ids=" then ".join)
def test_whatever_changes_in_the_log_is_on_the_next_page(site, steps):
    """Fails for each that is left out of the state of the log: what was kept before it would be shown."""
    for step in steps:
        before = site.live()
        assert learned(site.plant, site.now) == before
        getattr(site, step)()
        shown = load(site.machine, site.now).learned
        assert shown != before
        assert shown == site.live()


@pytest.mark.parametrize(("measured_ago", "sampled_ago"), [(380, 364), (1129, 10)])
def test_what_grows_too_old_is_on_no_page(site, measured_ago, sampled_ago):
    """A can after a year, a result after the three years that are looked at."""
    machine = factories.machine(site.machine.line)
    measured(machine, site.mechanic, site.ago(measured_ago), (11.0, 2.0))
    site.sample(machine, sampled_ago, (3.0, 0.0))
    before = learned(site.plant, site.now)
    later = site.now + dt.timedelta(days=2)
    shown = load(machine, later).learned
    assert len(shown["static"].pairs) == len(before["static"].pairs) - 1
    assert shown == site.live(later)


def test_only_the_machine_whose_log_changed_is_worked_out(site, worked_out):
    stranger = factories.machine()
    refit_wall(site.plant, site.now)
    assert worked_out == [[site.machine.pk, site.sister.pk]]
    refit_wall(site.plant, site.now)
    load(site.sister, site.now)
    sampled(stranger, factories.person("mechanic", stranger.line.plant), site.ago(5), (3.0, 1.0))
    load(site.machine, site.now)
    assert worked_out[1:] == []
    site.a_can_entered()
    load(site.sister, site.now)
    assert worked_out[1:] == [[site.machine.pk]]
    assert load(site.sister, site.now).learned == site.live()


def test_a_machine_that_left_the_plant_teaches_it_no_more(site):
    refit_wall(site.plant, site.now)
    site.sister.line = factories.line()
    site.sister.save()
    shown = learned(site.plant, site.now)
    assert {pair.machine_id for pair in shown["running"].pairs} == {site.machine.pk}
    assert shown == site.live()


def test_a_change_while_the_log_is_read_is_seen_by_the_next_page(site, monkeypatch):
    really = wall_learned._pairs

    def meanwhile(machines, since):
        found = really(machines, since)
        site.a_can_entered()
        return found

    monkeypatch.setattr(wall_learned, "_pairs", meanwhile)
    refit_wall(site.plant, site.now)
    monkeypatch.undo()
    assert learned(site.plant, site.now) == site.live()


@pytest.mark.parametrize("pairs", [0, 1, 2, 3, 4])
def test_kept_and_live_are_the_same_page_with_however_few_pairs(signed_in, pairs):
    site = Site(pairs)
    client = signed_in(site.mechanic)

    def answers():
        paths = ("wall-figures.json", "wall.csv")
        page = client.get(f"/machines/{site.machine.pk}/wall/").content.decode()
        return [
            page[page.index("<h1") :],
            *(client.get(f"/machines/{site.machine.pk}/{path}").content for path in paths),
        ]

    live, kept = answers(), answers()
    assert Fit.objects.get(kind=KIND).rests_on["pairs"] == {"static": pairs, "running": pairs}
    assert kept == live
    assert (f"Not enough pairs yet: {pairs} pair" in kept[0]) == (pairs < 3)
    assert (b"This plant's ratio" in kept[1]) == (pairs >= 3)


def test_however_many_machines_and_cans_take_as_many_queries(site):
    def asked():
        Fit.objects.filter(kind=KIND).delete()
        counted = []
        for _ in range(2):
            with CaptureQueriesContext(connection) as seen:
                learned(site.plant, site.now)
            counted.append(len(seen))
        return counted

    live, kept = few = asked()
    assert kept == 9  # the machines, the state of the log in seven, what is kept
    assert live > kept
    for number in range(3):
        more = factories.machine(site.machine.line)
        measured(more, site.mechanic, site.ago(30), (8.0, number))
        for day in (9, 8, 7):
            site.sample(more, day, (2.0, 1.0))
    assert asked() == few
