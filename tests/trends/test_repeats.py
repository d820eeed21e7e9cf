"""Repeat problems of stations and machines: found by the rule, kept by the refit, and listed."""

import datetime as dt

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from scipy import stats

from linelog.alignment.models import Amendment
from linelog.plant.models import Plant
from linelog.trends.models import RepeatProblem
from linelog.trends.repeats import services
from linelog.trends.repeats.services import Words
from tests import factories
from tests.bench import bench_repeats
from tests.bench.fleets import repeat_rule
from tests.trends import invented
from tests.trends.repeating import NOW, SETTLES, TODAY, page, refit, toward, visits

Since = RepeatProblem.Since

pytestmark = pytest.mark.usefixtures("no_ram")


def test_a_station_that_settles_is_found_with_its_direction_and_strokes(manager, machine, signed_in):
    made = visits(machine, manager, SETTLES)
    refit(manager)
    problem = RepeatProblem.objects.get()
    assert (problem.kind, problem.pattern, problem.times, problem.looked_at) == ("station", "same_way", 5, 5)
    assert problem.mean_deg == pytest.approx(198.0, abs=3.0)
    assert problem.comes_back_million == pytest.approx(12.0, rel=0.1)  # thirty days of 0.4 million
    assert (problem.holds, problem.since, problem.last_on) == (True, Since.OPEN, made[-1].opened_at.date())
    assert problem.noticed_on == made[3].opened_at.date()  # the third time of the first four
    shown = page(signed_in(manager), "trends:repeat", problem.pk)
    for words in ("out on 5 of the last 5", "toward 6:30", "mount that settles", "Hypotheses", "million strokes"):
        assert words in shown
    assert all(reverse("alignment:visit", args=[visit.pk]) in shown for visit in made)
    assert "BM 1: Domer" in page(signed_in(manager), "trends:fleet")
    assert "out on 5 of the last 5" in page(signed_in(manager), "trends:machine", machine.pk)


def test_the_plants_own_setting_of_the_rule_is_kept_to(manager, machine):
    visits(machine, manager, [(1, 1), (60, 0), (1, 1), (60, 0), (1, 1)])
    refit(manager)
    assert not RepeatProblem.objects.exists()
    Plant.objects.update(repeat_out=2, repeat_visits=4)
    refit(manager)
    assert RepeatProblem.objects.get().times == 2


def test_two_plain_visits_are_enough_and_say_so(manager, machine, signed_in):
    """Held against sixty visits of other machines that found nothing: 1 of 61, 5 degrees apart counted as 10."""
    others = [factories.machine(machine.line) for _ in range(6)]
    for other in others:
        visits(other, manager, [(1.0, 1.0)] * 10)
    made = visits(machine, manager, [(1.0, 1.0), toward(200, 90), toward(205, 100)])
    refit(manager)
    problem = RepeatProblem.objects.get()
    least = (90.0 - 6.0) / machine.stations.get(kind="domer").limit_um
    assert (problem.times, problem.looked_at, problem.pattern) == (2, 3, "same_way")
    assert problem.noticed_on == made[-1].opened_at.date()
    assert problem.plain_share == pytest.approx(least)
    assert problem.plain_chance == pytest.approx(stats.binom.sf(1, 3, 1 / 61) * 10 / 180)
    shown = page(signed_in(manager), "trends:repeat", problem.pk)
    for words in ("Told after two visits in a row", f"each found it at {least:.1f} of its limit", "1 of 20,000"):
        assert words in shown
    services.take_up(by=manager, at=NOW, problem=problem, said=Words("slack", "tightened", made[0].opened_at.date()))
    assert "so plainly that two in a row are enough" in page(signed_in(manager), "trends:repeat", problem.pk)


def test_one_that_is_out_by_its_tilt_counts_but_points_nowhere(manager, machine):
    for visit in visits(machine, manager, [(0.0, 0.0)] * 4):
        visit.results.update(verdict="out", severity=1.7)
    refit(manager)
    problem = RepeatProblem.objects.get()
    assert (problem.times, problem.pattern, problem.mean_deg) == (4, "not_clear", None)


def test_warmth_is_told_by_the_change_of_temperature_between_visits(manager, machine, signed_in):
    oil = [40.0, 46.0, 41.0, 47.0, 38.0, 45.0, 39.0, 48.0, 40.0, 46.0]
    found = [(2.0, 14.0 * (now - before) + 3.0) for before, now in zip([40.0, *oil], oil, strict=False)]
    visits(machine, manager, found, oil_c=oil)
    refit(manager)
    problem = RepeatProblem.objects.get()
    assert problem.pattern == "thermal"
    shown = page(signed_in(manager), "trends:repeat", problem.pk)
    assert "moves with the oil temperature" in shown
    assert "Warmth" in shown


def test_a_ram_that_sinks_is_one_problem_of_the_machine_not_one_of_each_station(manager, machine, signed_in):
    rows = []
    for number in range(5):
        visit = invented.signed_visit(machine, manager, NOW - dt.timedelta(days=30 * (5 - number)))
        for offset, station in enumerate(machine.stations.all()):
            xy = (2.0 * ((-1) ** offset), station.limit_um * 1.6)
            rows.append(invented.result(visit, station, "as_found", xy))
    invented.store(rows)
    refit(manager)
    (listed,) = RepeatProblem.objects.filter(part_of=None)
    assert (listed.kind, listed.pattern, listed.times) == ("machine", "up", 5)
    assert (
        RepeatProblem.objects.filter(part_of=listed).count() == 5
    )  # all but the two bushings, which no sweep judges
    shown = page(signed_in(manager), "trends:repeat", listed.pk)
    assert "ram has gone down" in shown
    assert "Worn bushings" in shown
    part = listed.parts.first()
    assert reverse("trends:repeat", args=[listed.pk]) in page(signed_in(manager), "trends:repeat", part.pk)


def test_a_problem_keeps_its_row_and_its_history_when_it_is_found_anew(manager, machine):
    visits(machine, manager, SETTLES)
    refit(manager)
    first = RepeatProblem.objects.get()
    services.take_up(by=manager, at=NOW, problem=first, said=Words("slack", "tightened", TODAY))
    refit(manager)
    again = RepeatProblem.objects.get()
    assert (again.pk, again.since, again.take_ups.count()) == (first.pk, Since.WAITING, 1)
    station = machine.stations.get(kind="domer")
    for visit in machine.visits.all():  # every value turns out to have been wrong
        Amendment.objects.create(
            visit=visit, station=station, stage="as_found", reason="wrong dial", set_aside=True, by=manager, at=NOW
        )
    refit(manager)
    gone = RepeatProblem.objects.get()
    assert (gone.pk, gone.holds, gone.pattern) == (first.pk, False, "same_way")


@pytest.mark.parametrize("thin", ["nothing", "machine", "one visit", "all equal", "no cans"])
def test_thin_data_get_a_sentence(manager, signed_in, thin):
    if thin != "nothing":
        machine = factories.machine(factories.line(manager.plant))
    if thin == "one visit":
        visits(machine, manager, [(60.0, 0.0)])
    if thin == "all equal":
        visits(machine, manager, [(1.0, 1.0)] * 8)
    if thin == "no cans":
        visits(machine, manager, SETTLES, counts=False)
    refit(manager)
    client = signed_in(manager)
    shown = page(client, "trends:repeats")
    if thin == "no cans":
        problem = RepeatProblem.objects.get()
        assert problem.comes_back_million is None
        assert "not known yet: 0 pairs" in page(client, "trends:repeat", problem.pk)
    else:
        assert "Nothing comes back so far" in shown
    page(client, "trends:fleet")


def test_the_list_asks_as_often_for_many_as_for_one(manager, signed_in):
    line = factories.line(manager.plant)
    client = signed_in(manager)

    def asked(url):
        client.get(url)
        with CaptureQueriesContext(connection) as seen:
            assert client.get(url).status_code == 200
        return len(seen)

    def more(machines):
        for _ in range(machines):
            visits(factories.machine(line), manager, SETTLES[:4], counts=False)
        refit(manager)

    more(1)
    problem = RepeatProblem.objects.get()
    urls = [reverse("trends:repeats"), reverse("trends:repeat", args=[problem.pk]), "/"]
    one = [asked(url) for url in urls]
    more(12)
    assert RepeatProblem.objects.count() == 13
    assert [asked(url) for url in urls] == one
    assert one[0] <= 8


def test_planted_machines_of_simulated_fleets_are_found_and_sound_ones_are_not():
    """Five of the fifty fleets of `python -m tests.bench.fleets`; bounds well outside what fifty come to."""
    rates = repeat_rule(seeds=5)
    assert rates["found, all"] >= 0.85
    assert rates["in its pattern, all"] >= 0.8
    assert rates["false alarms, a sound station"] <= 0.01


def test_strong_ones_are_told_sooner_where_two_visits_are_plain():
    """Four of the plants of `python -m tests.bench.bench_repeats`; bounds well outside what forty come to."""
    tally = bench_repeats.run("relaxing", 4)
    assert np.median(tally.after.days) < np.median(tally.before.days) - 30
    assert np.median(tally.after.since_seen) <= 90
    assert np.isfinite(tally.after.days).all()
    assert tally.after.false / tally.years <= 0.05
    held = [one[0] for one in tally.last_dates.held if one is not None]
    assert len(held) >= 8
    assert np.mean(held) >= 0.8
