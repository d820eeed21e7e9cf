"""What was said of the risk before visits and what they found; and the alarm that a visit answered already."""

import datetime as dt

import pytest
from django.urls import reverse

from linelog.calc.wander.knowledge import FEWEST
from linelog.plant.models import Fitting, ToolingSet
from linelog.production.models import DayCount, Event
from linelog.trends.due.knowledge import HOLDS, KIND, LITTLE, kept, learn
from linelog.trends.due.store import refit_drifts
from linelog.trends.models import Fit
from linelog.trends.state.outlook import coming
from linelog.trends.state.todo import Do, todo
from tests import factories
from tests.trends import invented

NOW, TODAY = factories.NOW, factories.NOW.date()
pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("no_ram")]


@pytest.fixture
def plant():
    return factories.plant(timezone="UTC")


@pytest.fixture
def manager(plant):
    return factories.person("manager", plant)


def swept(machine, by, days_ago, offset):
    """A visit that finds every station off by so many um, and leaves it on the line where that is out."""
    visit = invented.signed_visit(machine, by, NOW - dt.timedelta(days=days_ago))
    rows = []
    for station in machine.stations.filter(is_active=True):
        for seat in station.seats if not station.is_bushing else ():
            out = offset > station.limit_um
            rows.append(invented.result(visit, station, "as_found", (offset, 0.0), seat=seat, expanded_um=2.0))
            left = (0.0, 0.0) if out else (offset, 0.0)
            rows.append(invented.result(visit, station, "as_left", left, seat=seat, expanded_um=2.0, carried=not out))
    return rows


def counted(machine, days):
    DayCount.objects.bulk_create(
        DayCount(machine=machine, day=TODAY - dt.timedelta(days=number), cans=400_000) for number in range(days)
    )


class TestCurve:
    def test_every_visit_that_found_a_station_again_is_in_one_band(self, plant, manager):
        machine = factories.machine(factories.line(plant))
        invented.store([row for n in range(8) for row in swept(machine, manager, 20 * (8 - n), 5.0 + 9.0 * (n % 5))])
        counted(machine, 200)
        fit = learn(plant, NOW)
        places = sum(len(one.seats) for one in machine.stations.all() if not one.is_bushing)
        assert fit.rests_on["again"] == 7 * places
        assert sum(band["number"] for band in fit.result["curve"]) == 7 * places
        later = [5.0 + 9.0 * (n % 5) for n in range(1, 8)]
        out = sum(
            len(one.seats) * sum(offset > one.limit_um for offset in later)
            for one in machine.stations.all()
            if not one.is_bushing
        )
        assert sum(band["out"] for band in fit.result["curve"]) == out

    def test_the_page_counts_what_was_said_and_found_and_says_what_it_is(self, plant, manager, signed_in):
        machine = factories.machine(factories.line(plant))
        rows = [row for n in range(24) for row in swept(machine, manager, 8 * (24 - n), 5.0 + 9.0 * (n % 5))]
        invented.store(rows)
        counted(machine, 200)
        learn(plant, NOW)
        client = signed_in(manager)
        text = client.get(reverse("trends:said")).content.decode()
        assert "were found out" in text
        assert "not against the truth" in text
        assert "read the intervals" in text
        figure = client.get(reverse("trends:said_figures")).json()[f"said-{plant.pk}"]
        assert figure["layout"]["xaxis"]["title"]["text"] == "Said before the visit, %"

    def test_with_too_little_no_risk_is_told(self, plant, manager, signed_in):
        machine = factories.machine(factories.line(plant))
        invented.store(swept(machine, manager, 30, 5.0))
        client = signed_in(manager)
        assert "Nothing was reckoned yet" in client.get(reverse("trends:said")).content.decode()
        learn(plant, NOW)
        assert f"A risk needs {FEWEST}" in " ".join(client.get(reverse("trends:said")).content.decode().split())
        assert client.get(reverse("trends:said_figures")).json() == {}

    def test_another_plants_curve_is_not_shown(self, plant, signed_in):
        learn(plant, NOW)
        stranger = factories.person("manager")
        assert signed_in(stranger).get(reverse("trends:said")).context["curves"] == []
        assert Fit.objects.filter(kind="wander").count() == 1

    def test_what_is_said_before_a_visit_knows_nothing_of_it(self, plant, manager):
        """What the last visit found changes its own count and no chance that was said before it."""
        machine = factories.machine(factories.line(plant))
        rows = [row for n in range(9) for row in swept(machine, manager, 20 * (9 - n), 3.0 + 4.0 * (n % 3))]
        invented.store(rows)
        counted(machine, 220)
        before = learn(plant, NOW).result["curve"]
        newest = machine.visits.latest("opened_at")
        newest.results.filter(stage="as_found").update(x_um=90.0, radial_um=90.0)
        after = learn(plant, NOW).result["curve"]
        same = ("least", "most", "number")
        assert [[one[name] for name in same] for one in before] == [[one[name] for name in same] for one in after]
        assert [one["expected"] for one in before] == pytest.approx([one["expected"] for one in after])
        assert sum(one["out"] for one in after) > sum(one["out"] for one in before)


class TestAnsweredAlarm:
    """A machine that tears for its own reasons: 120 tear-offs a million, every day."""

    @pytest.fixture
    def machine(self, plant):
        made = factories.machine(factories.line(plant))
        counted(made, 90)
        DayCount.objects.update(tear_offs=48)
        return made

    def ask(self, plant, machine):
        return coming(plant, 2, at=NOW, only=machine).machines[machine.pk]

    def test_a_visit_that_found_all_in_answers_it(self, plant, manager, machine):
        invented.store(swept(machine, manager, 10, 2.0))
        state = self.ask(plant, machine)
        assert not state.due.is_due
        found = todo(state)
        assert found.do is Do.ELSEWHERE
        assert found.what.startswith("Not alignment: look at")
        assert "found every station in" in found.why

    def test_a_visit_that_found_one_out_or_left_one_unswept_does_not(self, plant, manager, machine):
        rows = swept(machine, manager, 10, 2.0)
        invented.store(rows[:2])
        assert "Tear-off alarm" in self.ask(plant, machine).due.why
        rows[2].x_um, rows[2].verdict = 80.0, "out"
        invented.store(rows[2:])
        assert self.ask(plant, machine).due.is_due

    @pytest.mark.parametrize("what", ["jam", "tools", "higher"])
    def test_until_something_else_happens(self, plant, manager, machine, what):
        invented.store(swept(machine, manager, 10, 2.0))
        if what == "jam":
            Event.objects.create(machine=machine, at=NOW - dt.timedelta(days=2), kind="jam", by=manager)
        if what == "tools":
            tools = ToolingSet.objects.create(plant=plant, name="Set 1")
            Fitting.objects.create(machine=machine, tooling_set=tools, fitted_at=NOW - dt.timedelta(days=2))
        if what == "higher":
            DayCount.objects.filter(day__gt=TODAY - dt.timedelta(days=7)).update(tear_offs=90)
        state = self.ask(plant, machine)
        assert state.due.is_due
        assert "Tear-off alarm" in state.due.why

    def test_once_it_rests_on_much_it_is_learned_anew_each_night_alone(self, plant, manager, machine):
        invented.store(swept(machine, manager, 10, 2.0))
        refit_drifts(plant, NOW)
        Fit.objects.filter(plant=plant, kind=KIND).update(rests_on={"places": 20, "again": LITTLE, "machines": 1})
        refit_drifts(plant, NOW + HOLDS / 2)
        assert kept(plant).made_at == NOW
        refit_drifts(plant, NOW + HOLDS)
        assert kept(plant).made_at == NOW + HOLDS
