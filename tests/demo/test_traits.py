"""The full twenty months of some machines: what the scenario says of them is found in the rows, and every page opens.

The true values (drift, wear, rates) stand in the scenario alone; here they are looked for in what the logbook stored.
One load serves all of these tests, inside one transaction that is taken back at the end.
"""

import datetime as dt

import numpy as np
import pytest
from django.db import transaction
from django.urls import reverse
from django.utils import timezone

from linelog.alignment.computing import compute
from linelog.alignment.models import (
    Amendment,
    BushingPosition,
    Lockout,
    MoveMade,
    Reading,
    Result,
    StationNote,
    Sweep,
    Visit,
)
from linelog.alignment.queries import sweeps_of
from linelog.alignment.reconciled import by_machine, reconcile, running_stations
from linelog.alignment.results.as_runs import as_set
from linelog.alignment.results.now import knowledge_by_machine
from linelog.alignment.services.results import result_values
from linelog.alignment.values import standing
from linelog.calc.differences import Step
from linelog.calc.directions import agreement, apart_deg
from linelog.calc.rates import rates_per_million
from linelog.calc.reconcile import Agreement
from linelog.demo import load, scenario
from linelog.demo.followups import follow_up
from linelog.plant.models import Fitting, Machine, Person, Station
from linelog.production.models import DayCount
from linelog.production.queries import machine_totals
from linelog.trends import refit, wall_learned
from linelog.trends.bushings.life import lives
from linelog.trends.control.refit import refit_signals
from linelog.trends.models import Fit, RepeatProblem, Signal
from tests.one_answer import disagreements

NAMES = ["BM 12", "BM 13", "BM 14", "BM 16", "BM 17", "BM 23", "BM 24", "BM 25", "BM 26", "BM 27"]
PLAN = scenario.read()


@pytest.fixture(scope="module")
def loaded(django_db_setup, django_db_blocker):
    """The time of loading; these tests take this in place of `db`, which would close the connection between them."""
    with django_db_blocker.unblock(), transaction.atomic():
        at = timezone.now()
        load.load(PLAN.only(NAMES), at=at)
        yield at
        transaction.set_rollback(True)


def test_the_loading_starts_from_nothing(db):
    """Stands first, and with `db`: the test database is only made where some test of the run says it needs one."""
    assert not Machine.objects.exists()


def found(machine, station, last=None):
    """As-found static values of a station against where it is set, the oldest first."""
    rows = held(Result.objects.filter(visit__machine__name=machine, station__name=station, stage="as_found"))
    return rows[-last:] if last else rows


def held(results):
    """Static values against where their stations are set."""
    stations = list(Station.objects.select_related("machine"))
    known = knowledge_by_machine({one.machine_id: one.machine for one in stations}, stations)
    values = standing(results.filter(method="static").order_by("at")).values
    return as_set(values, stations, known)


def directions(rows):
    return agreement([np.degrees(np.arctan2(row.x_um, row.y_um)) % 360.0 for row in rows])


def rates(days=None):
    """Tear-offs per million of each machine with their interval, over all days or the last of them."""
    last = DayCount.objects.order_by("-day").first().day
    machines = {machine.pk: machine.name for machine in Machine.objects.all()}
    since = None if days is None else last - dt.timedelta(days=days - 1)
    sums = machine_totals(list(machines), since, last)
    exact = rates_per_million([one.tear_offs for one in sums.values()], [one.made for one in sums.values()])
    fleet = 1e6 * sum(one.tear_offs for one in sums.values()) / sum(one.made for one in sums.values())
    columns = zip(exact.rate.tolist(), exact.low.tolist(), exact.high.tolist(), strict=True)
    return {machines[pk]: row for pk, row in zip(sums, columns, strict=True)}, fleet


def test_one_domer_settles_the_same_way_again_and_again(loaded):
    rows = found("BM 14", "Domer")
    last = rows[-5:]
    assert sum(row.verdict == "out" for row in last) >= 3
    agree = directions(rows)
    assert agree.p < 0.001
    assert apart_deg(agree.mean_deg, PLAN.machines[3].settles.toward_deg) < 20.0
    assert sum(row.verdict == "out" for row in found("BM 16", "Domer", 5)) <= 1  # and an ordinary one does not
    assert MoveMade.objects.filter(
        visit__machine__name="BM 14", station__name="Domer", adjuster__kind="screw"
    ).exists()


def test_a_worn_bushing_lets_the_ram_sink_so_that_the_stations_are_found_high_together(loaded):
    for station in ("Redraw sleeve", "Tool pack", "Domer"):
        rows = found("BM 23", station)
        half = rows[len(rows) // 2 :]
        assert np.mean([row.y_um for row in half]) > 8.0, station
        assert apart_deg(directions(half).mean_deg, 0.0) < 60.0, station


def test_the_worn_bushing_is_told_by_its_clearance_and_by_the_day_of_its_limit(loaded):
    worn = {one.station.kind: one for one in lives(Machine.objects.get(name="BM 23"), loaded.date())}
    front = worn["front_bushing"]
    assert front.wear.proven
    assert front.expected is not None
    assert front.last.row.clearance_um > front.measured[0].row.clearance_um + 20.0
    sound = {one.station.kind: one for one in lives(Machine.objects.get(name="BM 16"), loaded.date())}
    assert all(one.last.row.verdict == "in" for one in sound.values())
    assert BushingPosition.objects.count() > 3


def test_one_machine_has_many_tear_offs_and_good_alignment(loaded):
    by_machine, fleet = rates()
    assert by_machine["BM 26"][1] > 1.5 * fleet
    worst = [row for station in ("Tool pack", "Domer") for row in found("BM 26", station)]
    assert sum(row.verdict == "in" for row in worst) >= 0.95 * len(worst)
    assert np.median([row.severity for row in worst]) < 0.5
    events = Machine.objects.get(name="BM 26").events
    assert events.filter(kind="metal").count() == 3


def test_one_machine_looks_bad_only_on_few_cans(loaded):
    recent, _ = rates(28)
    whole, _ = rates()
    ordinary = [recent[name][0] for name in ("BM 16", "BM 25", "BM 27")]
    rate, low, high = recent["BM 17"]
    assert rate > max(ordinary)
    assert low < np.median(ordinary) < high
    assert whole["BM 17"][1] < whole["BM 27"][0] < whole["BM 17"][2]  # in the long run it is like the others


def test_a_domer_set_right_while_the_ram_hangs_runs_low_by_the_droop(loaded):
    running = Result.objects.filter(method="running", station__name="Domer", visit__machine__name="BM 25")
    assert running.count() >= 5
    for row in running:
        static = Result.objects.get(visit=row.visit, station=row.station, stage="as_left", method="static")
        assert 90.0 < static.y_um - row.y_um < 180.0
        assert abs(static.x_um - row.x_um) < 8.0


def test_stored_results_are_what_the_program_computes_from_the_stored_readings(loaded):
    compared = 0
    for visit in Visit.objects.filter(state="signed").order_by("pk")[::6]:
        rows = sweeps_of(visit)
        for result in visit.results.filter(method="static", carried=False).select_related("station"):
            outcome = compute(station=result.station, stage=result.stage, plant=visit.machine.line.plant, rows=rows)
            for name, value in result_values(outcome, outcome.seats[result.seat], result.at).items():
                assert getattr(result, name) == (pytest.approx(value) if isinstance(value, float) else value), name
            compared += 1
    assert compared > 100


def test_moves_bring_what_was_out_back_inside(loaded):
    moved = set(MoveMade.objects.values_list("visit_id", "station_id"))
    left = Result.objects.filter(stage="as_left", carried=False, method="static")
    slack = {machine.name: machine.plays.station for machine in PLAN.machines if machine.plays}
    for name, station in slack.items():  # what has clearance no move brings back
        left = left.exclude(visit__machine__name=name, station__name=station)
    after = [row for row in held(left) if (row.visit_id, row.station_id) in moved]
    assert len(after) > 30
    assert sum(row.verdict == "in" for row in after) >= 0.85 * len(after)
    assert {(row.visit_id, row.station_id) for row in left} <= moved


def test_signed_visits_keep_to_the_rules_of_signing(loaded):
    """Every as-found value has its as-left one, touched and 'not touched' exclude each other, words are frozen."""
    results = Result.objects.filter(visit__state="signed", method="static")
    as_found = set(results.filter(stage="as_found").values_list("visit_id", "station_id", "seat"))
    as_left = set(results.filter(stage="as_left").values_list("visit_id", "station_id", "seat"))
    assert as_found == as_left
    moved = set(MoveMade.objects.values_list("visit_id", "station_id"))
    notes = StationNote.objects.filter(visit__state="signed")
    untouched = set(notes.filter(not_touched=True).values_list("visit_id", "station_id"))
    carried = set(results.filter(carried=True).values_list("visit_id", "station_id"))
    assert not moved & untouched
    assert carried == untouched
    assert not notes.filter(advised="").exists()


def test_times_are_in_order_and_nothing_is_ahead_of_the_load(loaded):
    for reading in Reading.objects.select_related("sweep__visit")[::50]:
        visit = reading.sweep.visit
        assert visit.opened_at < reading.at <= (visit.signed_at or loaded)
        assert any(lockout.stands_at(reading.at) for lockout in visit.lockouts.all()), "taken under a lockout"
    assert not Lockout.objects.filter(visit__state="signed", ended_at__isnull=True).exists()
    assert not Visit.objects.filter(signed_at__gt=loaded).exists()
    assert not Fitting.objects.filter(fitted_at__gt=loaded).exists()
    assert not Amendment.objects.filter(at__gt=loaded).exists()
    assert not DayCount.objects.filter(day__gte=loaded.date() + dt.timedelta(days=1)).exists()


def test_there_is_an_open_visit_a_half_read_sweep_and_units_of_both_kinds(loaded):
    visit = Visit.objects.get(state="open")
    assert visit.machine.name == "BM 27"
    assert Sweep.objects.filter(visit=visit).count() == 2
    assert Visit.objects.filter(state="dropped").exclude(dropped_why="").count() == 1
    assert Amendment.objects.filter(set_aside=True).exists()
    assert Amendment.objects.filter(x_um__isnull=False).exists()
    assert set(Reading.objects.values_list("unit", flat=True)) == {"mm", "inch"}
    assert set(Sweep.objects.values_list("view", flat=True)) == {"crank", "domer"}


def pages():
    visits = [Visit.objects.filter(state=state).first() for state in ("open", "signed", "dropped")]
    visits.append(Amendment.objects.first().visit)
    urls = [reverse(name) for name in ("trends:fleet", "trends:labels", "alignment:visits", "production:counts")]
    urls += [f"{reverse('trends:find')}?q=9", reverse("production:events"), reverse("production:uploads")]
    urls += [reverse("production:causes"), reverse("production:changes"), reverse("web:history")]
    urls += [reverse("trends:machine", args=[machine.pk]) for machine in Machine.objects.all()]
    for visit in visits:
        stations = visit.machine.stations.all()
        urls.append(reverse("alignment:visit", args=[visit.pk]))
        urls += [reverse("alignment:station", args=[visit.pk, station.pk]) for station in stations]
    return urls


def test_every_page_opens_and_says_that_it_is_invented(loaded, client):
    client.force_login(Person.objects.get(username="manager"))
    quiet = []
    for url in pages():
        answer = client.get(url, follow=True)
        assert answer.status_code == 200, url
        if "invented" not in answer.content.decode():
            quiet.append(url)
    assert quiet == []


@pytest.mark.parametrize("username", ["mechanic3", "quality", "viewer", "administrator"])
def test_the_front_page_opens_for_every_role(loaded, client, username):
    client.force_login(Person.objects.get(username=username))
    answer = client.get("/")
    assert answer.status_code == 200
    assert "BM 26" in answer.content.decode()


def test_a_stepped_ram_that_hangs_as_its_sections_say_agrees_with_what_it_shows_when_running(loaded):
    found = {one.station.name: one for one in reconciled("BM 25")}
    assert Machine.objects.get(name="BM 25").ram_sections.count() == 3
    for name in ("Tool pack", "Domer"):
        one = found[name]
        assert one.check.agreement is Agreement.AGREE, (name, one.check)
        assert len(one.pairs) >= 8
        off = abs(one.learned.mean_um[1] - one.beam.deflection_um)
        assert off < one.learned.mean_within_um[1] + 3.0


def test_a_worn_bushing_shows_as_beam_and_experience_that_disagree(loaded):
    found = {one.station.name: one for one in reconciled("BM 23")}
    grown = PLAN.machines[9].wears.clearance_um
    assert PLAN.machines[9].name == "BM 23"
    for name in ("Tool pack", "Domer"):
        one = found[name]
        assert one.disagrees, (name, one.check)
        assert one.check.apart_um[1] < 0.0
        # What is learned follows the wear: it tells of the clearance as it is in the end, not of a mean.
        assert 12.0 + 0.6 * grown < one.clearance_um < 12.0 + 1.4 * grown
        assert one.learned.moves or one.learned.step is Step.CERTAIN
    assert by_machine(reconciled("BM 23", "BM 25"))[0].machine.name == "BM 23"


def reconciled(*names):
    manager = Person.objects.get(username="manager")
    return reconcile(running_stations(manager).filter(machine__name__in=names), timezone.now())


def test_no_two_pages_say_different_things_of_one_station(loaded, client):
    client.force_login(Person.objects.get(username="manager"))
    machines = Machine.objects.select_related("line__plant").filter(name__in=["BM 12", "BM 13", "BM 23", "BM 25"])
    assert disagreements(client, list(machines)) == []


def test_what_the_plant_learned_of_its_walls_is_kept(loaded):
    """The command that loads fits every model that is registered; the page then takes what is kept."""
    plant = Machine.objects.first().line.plant
    with transaction.atomic():
        refit.REFITS["wall against offset"](plant, loaded)
        kept = Fit.objects.get(plant=plant, kind=wall_learned.KIND)
        learned = wall_learned.learned(plant, loaded)
        assert 0.8 * PLAN.wall.ratio < learned["static"].ratio.value < 1.2 * PLAN.wall.ratio
        # A running value is of the pack's middle, the wall of its front die: the slope between them blurs it.
        assert 0.6 * PLAN.wall.ratio < learned["running"].ratio.value < 1.2 * PLAN.wall.ratio
        assert Fit.objects.get(pk=kept.pk).made_at == kept.made_at
        transaction.set_rollback(True)


def test_repeat_problems_of_every_pattern_are_found_and_say_whether_they_came_back(loaded):
    """Planted in the scenario: settling (taken up, came back), clearance, warmth, a worn bushing, one cured."""
    plant = Machine.objects.first().line.plant
    with transaction.atomic():
        refit_signals(plant, loaded)
        follow_up(PLAN.only(NAMES), plant, loaded)
        found = {(row.machine.name, row.key.split(":")[0]): row for row in RepeatProblem.objects.filter(part_of=None)}
        assert (found["BM 14", "station"].pattern, found["BM 14", "station"].since) == ("same_way", "back")
        assert (found["BM 12", "station"].pattern, found["BM 12", "station"].holds) == ("scattered", True)
        assert (found["BM 13", "station"].pattern, found["BM 13", "station"].holds) == ("thermal", True)
        assert (found["BM 23", "machine"].pattern, found["BM 23", "machine"].holds) == ("up", True)
        assert (found["BM 24", "station"].since, found["BM 24", "station"].holds) == ("gone", False)
        assert ("BM 16", "station") not in found
        assert 0 < Signal.objects.exclude(cause="").count() < Signal.objects.filter(cause="").count()
        transaction.set_rollback(True)
