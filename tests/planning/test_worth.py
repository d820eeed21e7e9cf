"""What the search for a plan goes by: hours with what may be opened, and what a visit saves; by hand."""

import datetime as dt
import math

import pytest
from django.urls import reverse

from linelog.planning.worth import worths
from linelog.trends.bushings.pace import bushings_of
from linelog.trends.due.store import refit_drifts
from linelog.trends.evidence.kinds import likeliest
from linelog.trends.evidence.leading import ALGORITHM, KIND
from linelog.trends.evidence.scope import SPOILED, TEAR_OFFS, WORST
from linelog.trends.models import Fit
from linelog.trends.state import outlook
from linelog.trends.state.effect import Effects
from linelog.trends.state.outlook import coming
from tests.planning.conftest import measured
from tests.trends import invented

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("no_ram")]


def told(plant, station, ratio, se, measure=TEAR_OFFS):
    """The effect of a kind of station as the nightly work keeps it."""
    effect = {"ratio": ratio, "low": 1.0, "high": 2.0, "z": math.log(ratio) / se, "shown": True}
    return Fit.objects.create(
        plant=plant, kind=KIND, scope=f"{measure}/{station}/24m", made_at=dt.datetime(2026, 1, 1, tzinfo=dt.UTC),
        rests_on={}, result={"algorithm": ALGORITHM, "effect": effect}, sentence="",
    )  # fmt: skip


def test_a_check_is_reckoned_with_the_hours_of_opening_what_it_may_find(plant, machine, now):
    """1 h for the lockout, 8 min a sweep; by its chance 1 h for opening the domer and 8 min to sweep it again."""
    found = coming(plant, 4, at=now)
    domer = next(one.place for one in found.machines[machine.pk].places if one.station.name == "Domer")
    assert 0.0 < domer.opens < 1.0
    wanted = 1.0 + 8 / 60 + domer.opens * (1.0 + 8 / 60)
    assert worths(found)[machine.pk].hours == pytest.approx(wanted, abs=0.01)


def test_what_a_visit_saves_is_worth_the_counts_of_a_week_by_the_plants_assumption(plant, machine, now):
    """30 % a limit: of the spoiled cans at 0.03 and the tear-offs at 6 min of 12 each, 1 - 1.3^-saves."""
    found = coming(plant, 4, at=now)
    state = found.machines[machine.pk]
    domer = next(one.place for one in state.places if one.station.name == "Domer")
    week = (state.totals.spoiled * 0.03 + state.totals.tear_offs * 6.0 * 12.0) / 4.0
    assert worths(found)[machine.pk].a_week == pytest.approx(week * (1.0 - 1.3**-domer.saves), rel=0.01)


def test_the_effect_of_a_station_is_its_own_and_a_kind_that_tells_nothing_takes_that_of_the_others(plant):
    told(plant, "domer", 1.8, 0.01)
    told(plant, "stripper", 1.0 + 1e-9, 0.01)
    found = likeliest(plant, (TEAR_OFFS, SPOILED))
    assert found[TEAR_OFFS].of("domer") == pytest.approx(math.log(1.8), abs=0.01)
    assert found[TEAR_OFFS].of("stripper") == pytest.approx(0.0, abs=0.01)
    assert found[TEAR_OFFS].of("stripper") < found[TEAR_OFFS].of("tool_pack") < found[TEAR_OFFS].of("domer")
    assert found[SPOILED].of("domer") == pytest.approx(math.log(1.3))
    assert found[TEAR_OFFS].worst is None
    told(plant, WORST, 1.8, 0.01)
    assert likeliest(plant, (TEAR_OFFS,))[TEAR_OFFS].worst == pytest.approx(math.log(1.8))


def test_a_bushing_that_goes_on_as_it_wore_is_expected_worn_and_looked_for(plant, line, manager, now):
    """From 40 to 70 um in 60 days, 20 days ago; the limit is 80 um, so it is at it now."""
    machine = measured(line, manager, now)
    bushing = machine.stations.get(kind="front_bushing")
    for visit, um in zip(machine.visits.order_by("-opened_at")[:4], (70.0, 60.0, 50.0, 40.0), strict=True):
        invented.clearance(visit, bushing, um)
    (found,) = bushings_of([machine.pk], now.date())[machine.pk]
    assert found.station == bushing.pk
    assert found.opens == pytest.approx(0.5, abs=0.1)
    assert found.saves > 0.3


def test_nobody_is_told_to_open_what_is_in_where_no_effect_is_shown(client_of, plant, machine, now, monkeypatch):
    page = reverse("planning:machine", args=[machine.pk])
    drift = machine.drift
    drift.places[0]["beyond"] = 0.7
    drift.save()
    manager = client_of("manager")
    assert "Worth putting right though in" not in manager.get(page).content.decode()
    monkeypatch.setattr(outlook, "effects_of", lambda plant: Effects(1.2, 1.6, "Measured.", shown=True))
    assert "Worth putting right though in: Domer from 0.7 of its limit." in manager.get(page).content.decode()


def test_the_kept_places_tell_what_a_visit_does_and_none_where_the_log_went_on(plant, machine, now):
    refit_drifts(plant, now)
    places = coming(plant, 4, at=now).machines[machine.pk].places
    assert all(one.place.saves is not None for one in places)
    invented.signed_visit(machine, machine.visits.latest("opened_at").opened_by, now)
    after = coming(plant, 4, at=now)
    assert after.machines[machine.pk].facts.overtaken
    assert worths(after)[machine.pk].a_week is None
