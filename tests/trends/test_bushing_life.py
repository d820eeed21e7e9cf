"""The life of a bushing: its clearances, its growth by the strokes counted, the day of its limit, a new one."""

import datetime as dt

import numpy as np
import pytest
from django.utils import timezone

from linelog.alignment.models import BushingFitted, BushingPosition
from linelog.calc.units import Unit
from linelog.trends.bushings.captions import expected_words, growth_words
from linelog.trends.bushings.life import lives
from linelog.web import protection
from tests import factories
from tests.trends import invented

pytestmark = pytest.mark.django_db
NOW = timezone.now().replace(microsecond=0)
TODAY = factories.today()


@pytest.fixture
def machine():
    return factories.machine()


@pytest.fixture
def manager(machine):
    return factories.person("manager", machine.line.plant)


@pytest.fixture
def bushing(machine):
    return machine.stations.get(kind="front_bushing")


def visits(machine, manager, days):
    return [invented.signed_visit(machine, manager, NOW - dt.timedelta(days=ago)) for ago in days]


def test_a_simulated_bushing_of_known_wear_gets_its_day(machine, manager, bushing):
    """0.25 um a day from 40 um 120 days ago: 70 um today, 80 um in 40 days; the counts are even."""
    invented.counts(machine, 150, until=TODAY)
    rng = np.random.default_rng(1)
    for visit, ago in zip(visits(machine, manager, range(120, 0, -12)), range(120, 0, -12), strict=True):
        invented.clearance(visit, bushing, 40 + 0.25 * (120 - ago) + rng.normal(0, 1))
    life = next(one for one in lives(machine, TODAY) if one.station == bushing)
    assert life.by_strokes
    assert life.wear.proven
    assert abs((life.expected.on - TODAY).days - 40) <= 15
    assert life.expected.early <= TODAY + dt.timedelta(days=40) <= life.expected.late
    assert "reaches the wear limit about" in expected_words(life, TODAY)


def test_without_counts_it_goes_by_days_and_few_measurements_are_called_thin(machine, manager, bushing):
    for visit, um in zip(visits(machine, manager, (90, 60, 30)), (40, 50, 60), strict=True):
        invented.clearance(visit, bushing, um, u_um=0.1)
    life = next(one for one in lives(machine, TODAY) if one.station == bushing)
    assert not life.by_strokes
    assert "+0.010\u202fmm per 30 days" in growth_words(life, Unit.MM)  # 10 um from each 30 days to the next
    assert "thin: it rests on 3" in growth_words(life, Unit.MM)
    assert life.expected.on == TODAY + dt.timedelta(days=30)


def test_a_new_bushing_begins_anew_and_what_its_visit_found_is_of_the_old_one(machine, manager, bushing):
    first, renewing, later = visits(machine, manager, (60, 30, 5))
    invented.clearance(first, bushing, 70)
    invented.clearance(renewing, bushing, 85)
    invented.clearance(renewing, bushing, 41, stage="as_left")
    invented.clearance(later, bushing, 43)
    with protection.lifted():
        fitted_on = TODAY - dt.timedelta(days=30)
        BushingFitted.objects.create(
            visit=renewing, station=bushing, fitted_on=fitted_on, by=manager, at=renewing.opened_at
        )
    life = next(one for one in lives(machine, TODAY) if one.station == bushing)
    assert [one.row.clearance_um for one in life.measured] == [41, 43]
    assert life.wear is None
    assert "takes 3 measurements" in life.why_not


def test_no_growth_gives_no_day(machine, manager, bushing):
    for visit, um in zip(visits(machine, manager, (90, 60, 30, 10)), (41, 40, 42, 40.5), strict=True):
        invented.clearance(visit, bushing, um)
    life = next(one for one in lives(machine, TODAY) if one.station == bushing)
    assert life.expected is None
    assert growth_words(life, Unit.MM).startswith("No growth is proven")


def test_the_page_shows_it_with_its_chart_and_positions(signed_in, machine, manager, bushing):
    ask = signed_in(manager)
    empty = ask.get(f"/machines/{machine.pk}/bushings/").content.decode()
    assert empty.count("Not measured in a signed visit yet") == 2
    assert ask.get(f"/machines/{machine.pk}/bushings.json").json() == {}
    for visit, um in zip(visits(machine, manager, (90, 60, 30)), (40, 50, 60), strict=True):
        invented.clearance(visit, bushing, um, u_um=0.1)
    with protection.lifted():
        BushingPosition.objects.create(
            visit=visit, station=bushing, stage="as_found", reference="wire", x_um=-10, y_um=0, expanded_um=4,
            view="domer", unit="mm", limit_um=13, verdict="not proven", severity=0.8, by=manager, at=NOW,
        )  # fmt: skip
    page = ask.get(f"/machines/{machine.pk}/bushings/").content.decode()
    assert "toward 3 o&#x27;clock, seen from the domer" in page
    assert "Wire line" in page
    figure = ask.get(f"/machines/{machine.pk}/bushings.json").json()["bushings"]
    assert {trace["name"] for trace in figure["data"]} == {
        "Front bushing, measured", "Front bushing, wear limit", "Front bushing, growth",
    }  # fmt: skip
