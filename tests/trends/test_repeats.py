"""Repeat problems: found by the rule, kept by the refit, taken up by people, and whether they came back."""

import datetime as dt
import math

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from scipy import stats

from linelog.alignment.models import Amendment
from linelog.plant.models import Plant
from linelog.production.made import Told
from linelog.production.models import ShiftCount, SpoilageCause
from linelog.trends.models import RepeatProblem, TakeUp
from linelog.trends.repeats import services
from linelog.trends.repeats.by_month import kept, problems_of
from linelog.trends.repeats.queries import waiting
from linelog.trends.repeats.refit import refit_repeats
from linelog.trends.repeats.rule import Occasion, Rule, came_back
from linelog.trends.repeats.said import since_when
from linelog.trends.repeats.services import Words
from linelog.trends.repeats.spoilage import read
from linelog.web.errors import Conflict, NotAllowed, Refused
from linelog.web.models import AuditEvent
from tests import factories
from tests.bench import bench_monthly, bench_repeats
from tests.bench.fleets import repeat_rule
from tests.trends import invented

NOW, TODAY = factories.NOW, factories.NOW.date()
Since, Kind = RepeatProblem.Since, RepeatProblem.Kind


pytestmark = pytest.mark.usefixtures("no_ram")


@pytest.fixture
def manager(db):
    return factories.person("manager")


@pytest.fixture
def machine(manager):
    return factories.machine(factories.line(manager.plant), name="BM 1")


def toward(degrees, size):
    return size * math.sin(math.radians(degrees)), size * math.cos(math.radians(degrees))


def visits(machine, by, found, *, kind="domer", every=30, counts=True, **more):
    """Signed visits in which a station was found at these offsets (um), and left at zero; the last a day ago."""
    station = machine.stations.get(kind=kind)
    made, rows = [], []
    for number, xy in enumerate(found):
        at = NOW - dt.timedelta(days=1 + every * (len(found) - 1 - number))
        visit = invented.signed_visit(machine, by, at, **{name: values[number] for name, values in more.items()})
        made.append(visit)
        rows.append(invented.result(visit, station, "as_found", xy))
        rows.append(invented.result(visit, station, "as_left", (0.5, 0.0)))
    invented.store(rows)
    if counts:
        invented.counts(machine, every * len(found) + 10, until=TODAY)
    return made


def refit(person):
    refit_repeats(Plant.objects.get(pk=person.plant_id), NOW)


def page(client, name, *args, status=200):
    answer = client.get(reverse(name, args=args))
    assert answer.status_code == status
    return answer.content.decode()


SETTLES = [(1.0, 1.0), toward(200, 60), toward(205, 70), toward(195, 80), toward(200, 65), toward(190, 75)]


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


def test_the_day_it_began_is_told_with_its_interval(manager, machine, signed_in):
    """Found at rest where it was left until the fourth visit, far off at the fifth and since then: between these."""
    made = visits(machine, manager, [(1.0, 1.0)] * 4 + [toward(200, 80), toward(205, 90), toward(195, 85)])
    refit(manager)
    problem = RepeatProblem.objects.get()
    fourth, fifth = (visit.opened_at.date() for visit in made[3:5])
    assert fourth - dt.timedelta(days=5) <= problem.began_low <= problem.began_on
    assert fourth <= problem.began_on <= problem.began_high <= fifth
    said = f"It began between {problem.began_low} and {problem.began_high}, most likely about {problem.began_on} "
    assert said in page(signed_in(manager), "trends:repeat", problem.pk)
    services.take_up(by=manager, at=NOW, problem=problem, said=Words("slack", "tightened", fourth))
    refit(manager)
    problem.refresh_from_db()
    assert problem.began_on is None or problem.began_on >= fourth, "what came back after that day began after it"


@pytest.mark.parametrize(
    ("low", "likely", "high", "said"),
    [
        (None, None, None, "No day can be told"),
        (None, None, 9, "It began before 2026-01-10, and may be older"),
        (None, 4, 9, "It began before 2026-01-10, most likely about 2026-01-05."),
        (1, 4, 9, "It began between 2026-01-02 and 2026-01-10, most likely about 2026-01-05 (90 % interval)."),
    ],
)
def test_what_is_said_of_the_day_it_began(low, likely, high, said):
    day = [None if one is None else dt.date(2026, 1, 1) + dt.timedelta(days=one) for one in (low, likely, high)]
    problem = RepeatProblem(began_low=day[0], began_on=day[1], began_high=day[2])
    assert since_when(problem).startswith(said)


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


@pytest.mark.parametrize(
    ("since_then", "said"),
    [
        *[([], Since.WAITING), ([0, 0], Since.WAITING), ([0, 1, 0], Since.WAITING), ([0, 0, 0], Since.GONE)],
        *[([1, 1, 1], Since.BACK), ([1, 0, 0, 1, 1], Since.BACK), ([1, 1, 0, 0, 0], Since.GONE)],
    ],
)
def test_whether_it_came_back_is_said_once_the_rule_can_tell(since_then, said):
    """With 3 of 5: three times out is back; three in order of the last five cannot come to three out any more."""
    day = dt.date(2026, 1, 1)
    before = [Occasion(day - dt.timedelta(days=number), True) for number in (9, 6, 3, 0)]
    after = [Occasion(day + dt.timedelta(days=30 * (n + 1)), bool(out)) for n, out in enumerate(since_then)]
    assert came_back([*before, *after], day, Rule(3, 5)) is said


def test_taken_up_it_says_who_and_what_and_whether_it_came_back(manager, machine, signed_in):
    made = visits(machine, manager, SETTLES)
    refit(manager)
    problem = RepeatProblem.objects.get()
    url = reverse("trends:repeat_take_up", args=[problem.pk])
    mechanic = factories.person("mechanic", manager.plant)
    typed = {"cause_found": "Two screws slack", "action": "Torqued", "key": "once"}
    done = {**typed, "action_on": made[1].opened_at.date().isoformat()}
    client = signed_in(mechanic)
    for _ in range(2):  # a double tap
        assert client.post(url, done).status_code == 302
    taken = TakeUp.objects.get()
    assert (taken.by, taken.cause_found) == (mechanic, "Two screws slack")
    assert AuditEvent.objects.filter(action="took up", object_id=str(taken.pk)).count() == 1
    problem.refresh_from_db()
    assert problem.since == Since.BACK
    shown = page(client, "trends:repeat", problem.pk)
    assert "It came back: found again on 4 of the 4 visits since then" in shown
    assert "Two screws slack" in shown


def test_bad_words_are_told_at_their_field_and_nothing_is_stored(manager, machine, signed_in):
    visits(machine, manager, SETTLES)
    refit(manager)
    problem = RepeatProblem.objects.get()
    url = reverse("trends:repeat_take_up", args=[problem.pk])
    client = signed_in(manager)
    for typed, sentence in (
        ({}, "Whose is it?"),
        ({"action_on": "2026-01-01"}, "Say what was done"),
        ({"owner": "0"}, "Select a valid choice"),
        ({"owner": "x", "due_on": "soon"}, "not a date"),
        ({"cause_found": "x", "action": "y", "action_on": "31.2.26"}, "not a date"),
        ({"cause_found": "x", "action": "y", "action_on": "2099-01-01"}, "has not come yet"),
        ({"cause_found": "x" * 401, "action": "y", "action_on": "2026-01-01"}, "at most 400"),
        ({"cause_found": "x\0", "action": "y", "action_on": "0001-01-01"}, "Null characters"),
    ):
        answer = client.post(url, typed)
        assert answer.status_code == 422
        assert sentence in answer.content.decode()
    assert not TakeUp.objects.exists()


def test_who_may_only_look_and_who_comes_second_is_refused(manager, machine, signed_in):
    visits(machine, manager, SETTLES)
    refit(manager)
    problem = RepeatProblem.objects.get()
    said = Words("slack", "tightened", TODAY - dt.timedelta(days=40))
    with pytest.raises(NotAllowed):
        services.take_up(by=factories.person("viewer", manager.plant), at=NOW, problem=problem, said=said)
    with pytest.raises(Refused):
        services.take_up(by=manager, at=NOW, problem=problem, said=Words("a", "b", TODAY + dt.timedelta(days=1)))
    taken = services.take_up(by=manager, at=NOW, problem=problem, said=said)
    services.change(by=manager, at=NOW, taken=taken, said=Words("worn", "changed", said.action_on), version=1)
    with pytest.raises(Conflict):
        services.change(by=manager, at=NOW, taken=taken, said=said, version=1)
    typed = {"cause_found": "mine", "action": "mine", "action_on": "2026-05-01", "version": 1}
    answer = signed_in(manager).post(reverse("trends:take_up", args=[taken.pk]), typed)
    assert answer.status_code == 409
    assert "worn" in answer.content.decode()
    assert "mine" in answer.content.decode()
    answer = signed_in(manager).post(reverse("trends:take_up", args=[taken.pk]), {**typed, "version": 2})
    assert answer.status_code == 302
    assert (TakeUp.objects.get().cause_found, TakeUp.objects.get().version) == ("mine", 3)


def test_taking_it_up_is_a_small_thing_and_what_was_done_comes_later(manager, machine, signed_in):
    made = visits(machine, manager, SETTLES)
    refit(manager)
    problem = RepeatProblem.objects.get()
    mechanic = factories.person("mechanic", manager.plant, first_name="Ana", last_name="Berg")
    client = signed_in(manager)
    due = factories.today() + dt.timedelta(days=7)
    said = {"owner": mechanic.pk, "due_on": due.isoformat(), "key": "k"}
    assert client.post(reverse("trends:repeat_take_up", args=[problem.pk]), said).status_code == 302
    taken = TakeUp.objects.get()
    assert (taken.in_work, taken.owner, taken.due_on, taken.cause_found) == (True, mechanic, due, "")
    problem.refresh_from_db()
    assert problem.since == Since.IN_WORK
    refit(manager)
    problem.refresh_from_db()
    assert problem.since == Since.IN_WORK, "the refit knows that somebody is at it"
    assert list(waiting(manager)) == []
    shown = page(client, "trends:repeat", problem.pk)
    assert f"in work: Ana Berg, by {due.isoformat()}" in shown
    assert "Nothing was done yet." in shown

    TakeUp.objects.update(due_on=factories.today() - dt.timedelta(days=2))
    assert list(waiting(manager)) == [problem], "beyond its day it waits again"
    done = {
        "owner": mechanic.pk,
        "action": "Torqued",
        "action_on": made[1].opened_at.date().isoformat(),
        "version": 1,
    }
    assert client.post(reverse("trends:take_up", args=[taken.pk]), done).status_code == 302
    problem.refresh_from_db()
    assert problem.since == Since.BACK, "later visits say whether it helped"
    assert "not known yet" in page(client, "trends:repeat", problem.pk)


def test_nobody_of_another_plant_sees_to_it(manager, machine):
    visits(machine, manager, SETTLES)
    refit(manager)
    problem, other = RepeatProblem.objects.get(), factories.person("mechanic")
    with pytest.raises(Refused, match="not of the plant"):
        services.take_up(by=manager, at=NOW, problem=problem, said=Words(owner=other))


def spoil(machines, months, *, per_month=3000, bad=None):
    """Shifts of whole months before NOW, spoiled by DENT at one rate; at `bad` half as often again."""
    shift = machines[0].line.plant.shifts.first()
    rows = []
    for number, machine in enumerate(machines):
        for month in range(1, months + 1):
            day = (NOW - dt.timedelta(days=30 * month)).date().replace(day=10)
            spoiled = round(per_month * (1.5 if machine == bad else 1.0 + 0.01 * ((number * 7 + month * 3) % 5 - 2)))
            rows.append(
                ShiftCount(
                    machine=machine,
                    day=day,
                    shift=shift,
                    cans=9_000_000,
                    spoiled=spoiled,
                    by_cause={"DENT": spoiled},
                )
            )
    ShiftCount.objects.bulk_create(rows)


def test_a_cause_above_the_plants_rate_month_after_month_is_found_at_that_machine_alone(manager, signed_in):
    line = factories.line(manager.plant)
    machines = [factories.machine(line) for _ in range(12)]
    cause = SpoilageCause.objects.create(plant=manager.plant, code="DENT", name="Dent")
    spoil(machines, 6, bad=machines[3])
    refit(manager)
    plant = Plant.objects.get(pk=manager.plant_id)
    assert np.array_equal(kept(plant, Kind.CAUSE).counts[cause.pk], read(plant, NOW).counts[cause.pk])
    problem = RepeatProblem.objects.get()
    assert (problem.machine, problem.cause, problem.times, problem.looked_at) == (machines[3], cause, 5, 5)
    shown = page(signed_in(manager), "trends:repeat", problem.pk)
    assert "above its expected count in 5 of the last 5 months" in shown
    assert "above what chance explains" in shown
    services.take_up(by=manager, at=NOW, problem=problem, said=Words("worn track", "new track", TODAY))
    assert "No month since then: not enough months yet" in page(signed_in(manager), "trends:repeat", problem.pk)


def test_machines_alike_have_no_cause_above_the_rate(manager):
    line = factories.line(manager.plant)
    machines = [factories.machine(line) for _ in range(12)]
    SpoilageCause.objects.create(plant=manager.plant, code="DENT", name="Dent")
    spoil(machines, 6)
    assert problems_of(read(Plant.objects.get(pk=manager.plant_id), NOW), Kind.CAUSE, Rule(3, 5)) == {}


def find_dents(machines, months, *, often=2, bad=None):
    """Findings of one code on some days of each month before NOW; at `bad` five times as often in the last five."""
    plant = machines[0].line.plant
    factories.finding_lists(plant)
    by, code = factories.person("quality", plant), plant.defect_codes.get(code="DOME-OFF")
    for machine in machines:
        for month in range(1, months + 1):
            first = (NOW - dt.timedelta(days=30 * month)).date().replace(day=2)
            for number in range(often * (5 if machine == bad and month <= 5 else 1)):
                day = first + dt.timedelta(days=2 * number)
                factories.finding(plant, by, told=Told(day, day), machine=machine, code=code)


def test_a_defect_found_month_after_month_of_one_machine_comes_back_and_is_taken_up(manager, signed_in):
    line = factories.line(manager.plant)
    machines = [factories.machine(line) for _ in range(6)]
    for machine in machines:
        invented.counts(machine, 380, until=TODAY)
    find_dents(machines, 11, bad=machines[2])
    refit(manager)
    problem = RepeatProblem.objects.get()
    assert (problem.kind, problem.machine, problem.code.code) == ("defect", machines[2], "DOME-OFF")
    assert problem.times >= 3
    assert problem.began_low <= (NOW - dt.timedelta(days=150)).date().replace(day=1) <= problem.began_high
    client = signed_in(manager)
    shown = page(client, "trends:repeat", problem.pk)
    for words in ("Findings of", "above its expected count in", "Days with findings of it", "It began between"):
        assert words in shown
    assert "findings of" in page(client, "trends:repeats")
    said = {"owner": manager.pk, "key": "k"}
    assert client.post(reverse("trends:repeat_take_up", args=[problem.pk]), said).status_code == 302
    problem.refresh_from_db()
    assert problem.since == Since.IN_WORK
    assert list(waiting(manager)) == []


def test_findings_alike_on_all_machines_do_not_come_back(manager):
    line = factories.line(manager.plant)
    machines = [factories.machine(line) for _ in range(6)]
    for machine in machines:
        invented.counts(machine, 380, until=TODAY)
    find_dents(machines, 11)
    refit(manager)
    assert not RepeatProblem.objects.exists()


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


def test_causes_and_defects_of_machines_without_a_problem_stay_within_the_budget():
    """Three plants each of `python -m tests.bench.bench_monthly`; 30 come to less than half of it."""
    for maker in ("causes", "findings"):
        false, seen = bench_monthly.run(maker, 3)
        assert false <= 0.05
        assert seen[3.0] >= (0.6 if maker == "causes" else 0.05)
