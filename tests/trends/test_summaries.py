"""The stored summaries: what lies between visits, and that they follow every change."""

import datetime as dt

import numpy as np
import pytest
from django.db.models import Sum

from linelog.alignment.services.amending import AmendedValue, amend_visit
from linelog.plant.models import Fitting, Shift, ToolingSet
from linelog.plant.services import tooling
from linelog.production.models import DayCount, ShiftCount, SpoilageCause
from linelog.production.services import counts
from linelog.trends import refit, summaries
from linelog.trends.models import Fit, Piece, Stale, Stretch
from linelog.web import jobs
from linelog.web.models import Job
from tests import factories
from tests.trends import invented

pytestmark = pytest.mark.django_db
DAY = dt.date(2026, 3, 2)
NOW = dt.datetime(2026, 6, 1, 8, tzinfo=dt.UTC)


def at(day, hour=10):
    return dt.datetime(2026, 3, 2, hour, tzinfo=dt.UTC) + dt.timedelta(days=day)


@pytest.fixture
def machine(db):
    made = factories.machine()
    rows = [
        DayCount(machine=made, day=DAY + dt.timedelta(days=n), cans=99_000, spoiled=1_000, tear_offs=n, jams=1)
        for n in range(60)
    ]
    DayCount.objects.bulk_create(rows)
    return made


@pytest.fixture
def by(machine):
    return factories.person("manager", machine.line.plant)


def visit(machine, by, day, found, left=None, kind="domer", **more):
    """A signed visit on a day that found and left the domer so many um to the right."""
    made = invented.signed_visit(machine, by, at(day), **more)
    station = machine.stations.get(kind=kind)
    rows = [invented.result(made, station, "as_found", (found, 0.0), seat=station.seats[0])]
    if left is not None:
        rows.append(invented.result(made, station, "as_left", (left, 0.0), seat=station.seats[0]))
    invented.store(rows)
    return made


def work_out(machine):
    made = summaries.work_out(machine)
    summaries.store(machine, made)
    return made


def limit(machine):
    return machine.stations.get(kind="domer").limit_um


def test_a_stretch_lies_between_two_visits_without_their_days(machine, by):
    first, second = visit(machine, by, 10, 30.0, left=0.0), visit(machine, by, 20, limit(machine))
    work_out(machine)
    rows = list(Stretch.objects.order_by("first_day"))
    assert [(row.since_visit_id, row.until_visit_id) for row in rows] == [
        (None, first.pk),
        (first.pk, second.pk),
        (second.pk, None),
    ]
    middle = rows[1]
    assert (middle.first_day, middle.last_day, middle.days) == (
        DAY + dt.timedelta(days=11),
        DAY + dt.timedelta(days=19),
        9,
    )
    assert (middle.made, middle.tear_offs, middle.jams) == (900_000, sum(range(11, 20)), 9)
    assert (middle.left, middle.found) == (0.0, pytest.approx(1.0))
    assert middle.places[0]["kind"] == "domer"
    assert middle.places[0]["left"] == [0.0, 0.0]
    assert middle.places[0]["found"] == [limit(machine), 0.0]
    assert (rows[0].left, rows[2].found) == (None, None)
    counted = DayCount.objects.exclude(day__in=[DAY + dt.timedelta(days=n) for n in (10, 20)])
    assert Stretch.objects.aggregate(n=Sum("cans")) == counted.aggregate(n=Sum("cans"))


def test_pieces_end_with_the_month_and_with_the_tooling_set_and_carry_the_severity(machine, by):
    sets = [ToolingSet.objects.create(plant=machine.line.plant, name=name) for name in "AB"]
    Fitting.objects.create(tooling_set=sets[0], machine=machine, fitted_at=at(0), removed_at=at(15))
    Fitting.objects.create(tooling_set=sets[1], machine=machine, fitted_at=at(15))
    visit(machine, by, 10, 30.0, left=0.0)
    visit(machine, by, 40, limit(machine))
    work_out(machine)
    rows = list(Piece.objects.order_by("first_day"))
    days = [(row.first_day - DAY).days for row in rows]
    assert days == [0, 11, 15, 30, 41]  # the visit, the set, April, the visit
    assert [row.tooling_set_id for row in rows] == [sets[0].pk, sets[0].pk, *[sets[1].pk] * 3]
    assert [row.month.month for row in rows] == [3, 3, 3, 4, 4]
    # Thirty days of cans from the one visit's day to the other's; the middle of days 11 to 14 is 2 days on.
    assert [row.severity for row in rows] == [
        None,
        pytest.approx(2 / 30, abs=1e-4),
        pytest.approx((4 + 7.5) / 30, abs=1e-4),
        pytest.approx((19 + 5) / 30, abs=1e-4),
        None,
    ]
    assert rows[1].by_station == {"domer": rows[1].severity}
    assert rows[0].by_station == {}


def test_a_station_that_a_visit_did_not_measure_is_carried_past_it(machine, by):
    visit(machine, by, 10, 0.0, left=0.0)
    visit(machine, by, 20, 5.0, left=5.0, kind="stripper")
    visit(machine, by, 40, limit(machine))
    work_out(machine)
    after = Piece.objects.filter(first_day=DAY + dt.timedelta(days=21)).get()
    # Days 21 to 29, 20 of the 30 days from the first visit to the third being over at most.
    assert after.by_station == {"domer": pytest.approx((10 + 4.5) / 30, abs=1e-4)}


def test_a_machine_without_visits_or_without_counts_has_what_there_is(machine, by):
    made = work_out(machine)
    assert len(made.stretches) == 1
    assert all(piece.severity is None for piece in made.pieces)
    other = factories.machine(machine.line)
    visit(other, by, 5, 5.0)
    made = work_out(other)
    assert (made.stretches, made.pieces) == ([], [])


def test_causes_are_summed_with_their_days(machine, by):
    plant = machine.line.plant
    for code in ("DENT", "WALL"):
        SpoilageCause.objects.create(plant=plant, code=code, name=code)
    shifts = list(Shift.objects.filter(plant=plant))
    visit(machine, by, 10, 5.0)
    for day, shift, causes in (
        (9, 0, {"DENT": 4}),
        (9, 1, {"WALL": 2, "DENT": 1}),
        (11, 0, {"WALL": 7}),
        (12, 0, {}),
    ):
        ShiftCount.objects.create(
            machine=machine,
            day=DAY + dt.timedelta(days=day),
            shift=shifts[shift],
            cans=1000,
            spoiled=9,
            by_cause=causes,
        )
    work_out(machine)
    assert [row.by_cause for row in Stretch.objects.order_by("first_day")] == [{"DENT": 5, "WALL": 2}, {"WALL": 7}]


def test_an_amended_value_and_one_set_aside_are_taken_as_amended(machine, by):
    first = visit(machine, by, 10, 0.0, left=0.0)
    visit(machine, by, 20, limit(machine))
    station = machine.stations.get(kind="domer")
    for stage in ("as_found", "as_left"):
        value = AmendedValue(station, stage, station.seats[0], limit(machine), 0.0, set_aside=False)
        amend_visit(by=by, visit=first, reason="Typed wrongly.", value=value, at=NOW)
    work_out(machine)
    assert Piece.objects.filter(severity__isnull=False).get().severity == pytest.approx(1.0)


def test_the_query_count_does_not_grow_with_the_record(machine, by, django_assert_num_queries):
    visit(machine, by, 10, 0.0)
    with django_assert_num_queries(11):
        summaries.work_out(machine)
    for day in range(12, 50, 2):
        visit(machine, by, day, 1.0 + day)
    with django_assert_num_queries(11):
        summaries.work_out(machine)


def numbers(**more):
    return counts.Numbers(**{"cans": 1000, "spoiled": 3, **more})


def stale():
    return dict(Stale.objects.values_list("machine_id", "notes"))


def test_counts_visits_and_fittings_leave_a_note_and_one_waiting_job(machine, by):
    plant = machine.line.plant
    shift = Shift.objects.filter(plant=plant).first()
    row = counts.enter(by=by, at=NOW, machine=machine, day=DAY, shift=shift, numbers=numbers())
    assert stale() == {machine.pk: 1}
    counts.correct(by=by, at=NOW, count=row, numbers=numbers(spoiled=4), version=1)
    row.refresh_from_db()
    counts.take_out(by=by, at=NOW, count=row, version=row.version)
    assert stale() == {machine.pk: 3}
    amend_visit(by=by, visit=visit(machine, by, 3, 1.0), reason="A word.", value=None, at=NOW)
    tools = ToolingSet.objects.create(plant=plant, name="A")
    fitting = tooling.fit(by=by, at=NOW, tooling_set=tools, machine=machine, fitted_at=at(1), reason_out="")
    tooling.remove(by=by, at=NOW, fitting=fitting, version=1, removed_at=at(2), reason_out="Worn")
    assert stale() == {machine.pk: 6}
    assert Job.objects.filter(kind=refit.KIND, state=Job.State.WAITING).count() == 1


def test_a_refused_change_leaves_no_note(machine, by):
    tools = ToolingSet.objects.create(plant=machine.line.plant, name="A")
    with pytest.raises(Exception, match="not come yet"):
        tooling.fit(
            by=by, at=NOW, tooling_set=tools, machine=machine, fitted_at=NOW.replace(year=2027), reason_out=""
        )
    assert stale() == {}


def test_refresh_works_out_what_is_stale_then_fits_every_model(machine, by, monkeypatch):
    monkeypatch.setattr(refit, "REFITS", {})
    seen = []
    refit.register("one", lambda plant, now: seen.append((plant, Stretch.objects.count(), now)))
    plant = machine.line.plant
    refit.mark_all(plant, NOW)
    said = refit.refresh(plant, NOW)
    assert said == "1 machines added up, 1 models fitted."
    assert seen == [(plant, 1, NOW)]
    assert stale() == {}


def test_a_note_left_while_the_summaries_were_worked_out_stays(machine, by, monkeypatch):
    plant, work = machine.line.plant, summaries.work_out
    monkeypatch.setattr(refit, "REFITS", {})

    def while_working(one, first_day):
        made = work(one, first_day)
        counts.enter(
            by=by,
            at=NOW,
            machine=machine,
            day=DAY,
            shift=Shift.objects.filter(plant=plant).first(),
            numbers=numbers(),
        )
        return made

    refit.mark_all(plant, NOW)
    monkeypatch.setattr(summaries, "work_out", while_working)
    refit.refresh(plant, NOW)
    assert stale() == {machine.pk: 2}


def test_a_broken_model_is_named_and_the_others_are_fitted(machine, monkeypatch, caplog):
    monkeypatch.setattr(refit, "REFITS", {})
    plant = machine.line.plant

    def breaks(plant, now):
        raise ZeroDivisionError

    refit.register("broken one", breaks)
    refit.register(
        "good one",
        lambda plant, now: refit.keep(plant, "good", "", now, rests_on={}, result={"a": 1}, sentence="Yes."),
    )
    job = jobs.create(kind=refit.KIND, by=None, at=NOW, plant_id=plant.pk)
    jobs.run(job.pk, lambda tell: refit.refresh(plant, NOW, tell))
    job.refresh_from_db()
    assert (job.state, job.started_by_name) == ("failed", "the program")
    assert "could not be worked out: broken one" in job.message
    assert "ZeroDivisionError" in caplog.text
    assert Fit.objects.get().result == {"a": 1}


def test_a_fit_is_replaced_as_a_whole(machine):
    plant = machine.line.plant
    refit.keep(plant, "k", "s", NOW, rests_on={"cans": 1}, result={"a": 1}, sentence="Old.")
    refit.keep(plant, "k", "s", NOW, rests_on={}, result={}, sentence="Not enough data.")
    kept = Fit.objects.get()
    assert (kept.rests_on, kept.result, kept.sentence) == ({}, {}, "Not enough data.")


def test_sums_of_invented_years_agree_with_the_daily_sums(machine, by):
    """Whatever the visits and sets: pieces and stretches hold every counted day but those of the visits, once."""
    other = factories.machine(machine.line)
    invented.counts(other, 400, until=DAY)
    invented.history(other, by, 12, until=dt.datetime(2026, 3, 1, 9, tzinfo=dt.UTC), every=29)
    rng = np.random.default_rng(4)
    for number, day in enumerate(sorted(rng.choice(390, 9, replace=False).tolist())):
        tools = ToolingSet.objects.create(plant=machine.line.plant, name=f"S{number}")
        fitted = dt.datetime.combine(DAY, dt.time(9), tzinfo=dt.UTC) - dt.timedelta(days=395 - day)
        Fitting.objects.create(
            tooling_set=tools, machine=other, fitted_at=fitted, removed_at=fitted + dt.timedelta(hours=3)
        )
    made = summaries.work_out(other)
    visits = {(dt.datetime(2026, 3, 1, 9, tzinfo=dt.UTC) - dt.timedelta(days=29 * n)).date() for n in range(1, 13)}
    for name in ("cans", "spoiled", "tear_offs", "jams", "minutes_down"):
        whole = DayCount.objects.filter(machine=other).exclude(day__in=visits).aggregate(n=Sum(name))["n"]
        assert sum(getattr(row, name) for row in made.pieces) == pytest.approx(whole)
        assert sum(getattr(row, name) for row in made.stretches) == pytest.approx(whole)
    assert sum(row.days for row in made.pieces) == 400 - len(visits)


def test_only_what_is_different_is_written_anew(machine, by):
    visit(machine, by, 10, 30.0, left=0.0)
    visit(machine, by, 40, limit(machine))
    work_out(machine)
    before = {model: dict(model.objects.values_list("pk", "machine")) for model in (Stretch, Piece)}
    work_out(machine)
    assert before == {model: dict(model.objects.values_list("pk", "machine")) for model in before}
    DayCount.objects.filter(day=DAY + dt.timedelta(days=59)).update(tear_offs=1000)
    work_out(machine)
    changed = {model: before[model].keys() - set(model.objects.values_list("pk", flat=True)) for model in before}
    assert {model: len(gone) for model, gone in changed.items()} == {Stretch: 1, Piece: 1}
    assert Piece.objects.order_by("-first_day").first().tear_offs == 1000 + sum(range(41, 59))
