"""Repeat problems counted by month: spoilage of a cause, and findings of a defect."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from django.urls import reverse

from linelog.plant.models import Plant
from linelog.production.made import Told
from linelog.production.models import ShiftCount, SpoilageCause
from linelog.production.services import findings
from linelog.production.services.findings import Facts
from linelog.trends import refit as evidence
from linelog.trends.models import RepeatProblem
from linelog.trends.repeats import services
from linelog.trends.repeats.by_month import Months, kept, problems_of, with_onsets
from linelog.trends.repeats.queries import waiting
from linelog.trends.repeats.rule import Rule
from linelog.trends.repeats.services import Words
from linelog.trends.repeats.spoilage import read
from linelog.web.models import Job
from tests import factories
from tests.bench import bench_monthly
from tests.trends import invented
from tests.trends.repeating import NOW, TODAY, page, refit

Since, Kind = RepeatProblem.Since, RepeatProblem.Kind

pytestmark = pytest.mark.usefixtures("no_ram")


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
    third, *_, newest = kept(plant, Kind.CAUSE).months[2:]
    assert f"<dd>{third:%Y-%m}, last in {newest:%Y-%m}</dd>" in shown, "three of five first held in the third month"
    services.take_up(by=manager, at=NOW, problem=problem, said=Words("worn track", "new track", TODAY))
    assert "No month since then: not enough months yet" in page(signed_in(manager), "trends:repeat", problem.pk)


def test_what_came_back_after_a_repair_began_after_it():
    """Three times as many in four months, as many as others in five after the repair, and again in the last three."""
    made, counts = np.full((6, 12), 9e6), np.full((6, 12), 3000.0)
    counts += np.arange(72).reshape(6, 12) * 7 % 60
    counts[2, [0, 1, 2, 3, 9, 10, 11]] *= 3
    days = tuple(dt.date(2025, month, 1) for month in range(1, 13))
    months = Months((1, 2, 3, 4, 5, 6), (1,) * 6, days, made, {8: counts})
    found = problems_of(months, Kind.CAUSE, Rule(3, 5))
    assert [(machine, one.key, one.times) for machine, ones in found.items() for one in ones] == [(3, "cause:8", 3)]

    def began(done):
        (one,) = with_onsets(months, found, Rule(3, 5), done)[3]
        return one.began

    told = began({3: {"cause:8": dt.date(2025, 4, 30)}})
    low, high = dt.date(2025, 9, 1).toordinal(), dt.date(2025, 11, 1).toordinal()
    assert low <= told.low <= told.high <= high
    assert began({}) != told
    assert began({3: {"cause:8": dt.date(2025, 10, 20)}}) == began({}), "two months tell nothing"


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


def test_a_finding_of_a_month_that_is_over_asks_for_a_refit_and_no_other_does(machine):
    plant = machine.line.plant
    factories.finding_lists(plant)
    by = factories.person("quality", plant)
    facts = Facts(
        plant.finding_places.first(), plant.defect_codes.get(code="DOME-OFF"), 1, Told(TODAY), machine=machine
    )
    jobs = Job.objects.filter(kind=evidence.KIND, plant_id=plant.pk)

    def asked():
        return jobs.delete()[0] == 1

    finding = findings.enter(by=by, at=NOW, plant=plant, facts=facts)
    assert not asked(), "this month is counted when it is over"
    then = replace(facts, told=Told(TODAY, TODAY.replace(day=1) - dt.timedelta(days=1)))
    for said, expected in ((then, True), (replace(then, note="seen twice"), False), (facts, True)):
        findings.correct(by=by, at=NOW, finding=finding, version=finding.version, facts=said)
        finding.refresh_from_db()
        assert asked() == expected
    findings.take_out(by=by, at=NOW, finding=finding, version=finding.version)
    assert not asked()
    old = findings.enter(by=by, at=NOW, plant=plant, facts=then)
    assert asked()
    findings.take_out(by=by, at=NOW, finding=old, version=old.version)
    assert asked()


def test_findings_alike_on_all_machines_do_not_come_back(manager):
    line = factories.line(manager.plant)
    machines = [factories.machine(line) for _ in range(6)]
    for machine in machines:
        invented.counts(machine, 380, until=TODAY)
    find_dents(machines, 11)
    refit(manager)
    assert not RepeatProblem.objects.exists()


def test_causes_and_defects_of_machines_without_a_problem_stay_within_the_budget():
    """Three plants each of `python -m tests.bench.bench_monthly`; 30 come to less than half of it."""
    for maker in ("causes", "findings"):
        false, seen = bench_monthly.run(maker, 3)
        assert false <= 0.05
        assert seen[3.0] >= (0.6 if maker == "causes" else 0.05)
