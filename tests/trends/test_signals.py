"""Control charts by quarter, the signals they give, what had changed near them, and what was found."""

import datetime as dt
import json

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from linelog.plant.models import Fitting, Plant, ToolingSet
from linelog.production.models import DayCount, Event, ShiftCount
from linelog.production.queries import DaySeries
from linelog.trends.control import services
from linelog.trends.control.charts import Rule, charts, signals
from linelog.trends.control.nearby import changes_near
from linelog.trends.control.refit import refit_signals, watched_from
from linelog.trends.models import Signal
from linelog.trends.rates import SPOILED, TEAR_OFFS
from linelog.web.errors import Conflict, NotAllowed
from linelog.web.models import AuditEvent
from tests import factories
from tests.trends import invented

NOW, TODAY = factories.NOW, factories.NOW.date()
REAL_TODAY = factories.counted_today()  # pages read the clock
CANS = 400_000


@pytest.fixture
def manager(db):
    return factories.person("manager")


@pytest.fixture
def machine(manager):
    return factories.machine(factories.line(manager.plant), name="BM 1")


def series(counts, until=TODAY, cans=CANS):
    """A series of days, the last of them `until`, with these tear-offs."""
    days = len(counts)
    day = np.datetime64(until, "D") - np.arange(days)[::-1]
    zero = np.zeros(days, dtype=np.int64)
    made = np.full(days, cans, dtype=np.int64)
    return DaySeries(day, made, zero, np.array(counts, dtype=np.int64), zero, zero, zero.astype(float))


def store(machine, counts, until=TODAY, cans=CANS):
    rows = series(counts, until, cans)
    DayCount.objects.bulk_create(
        DayCount(machine=machine, day=day, cans=cans, tear_offs=int(count))
        for day, count in zip(rows.day.tolist(), rows.tear_offs.tolist(), strict=True)
    )


def quiet(days, mean=16.0, seed=4):
    return np.random.default_rng(seed).poisson(mean, days)


def refit(person):
    refit_signals(Plant.objects.get(pk=person.plant_id), NOW)


def test_the_limits_of_a_quarter_rest_on_the_182_days_before_it():
    """By the plain formula of a u chart: centre and three sigma from the days before the quarter, no others."""
    counts = quiet(400)
    drawn = charts(TEAR_OFFS, series(counts))
    begins = np.datetime64("2026-04-01")
    base = (drawn.day >= begins - 182) & (drawn.day < begins)
    inside = drawn.day >= begins
    centre = drawn.counts[base].sum() / drawn.made[base].sum()
    assert drawn.centre[inside] == pytest.approx(1e6 * centre)
    assert drawn.upper[inside] == pytest.approx(1e6 * (centre + 3.0 * np.sqrt(centre / CANS)))
    assert drawn.z[inside] == pytest.approx((drawn.counts[inside] - centre * CANS) / np.sqrt(centre * CANS))
    last = drawn.blocks[-1]
    assert (last.begins, last.base_until) == (dt.date(2026, 4, 1), dt.date(2026, 3, 31))
    assert [block.provisional for block in drawn.blocks] == [True, *[False] * (len(drawn.blocks) - 1)]


def test_a_signal_stays_what_it_is_when_later_days_come_in():
    counts = quiet(500, seed=2)
    counts[300] = 60
    early, late = (
        charts(TEAR_OFFS, series(counts[:450], TODAY - dt.timedelta(days=50))),
        charts(TEAR_OFFS, series(counts)),
    )
    assert np.array_equal(early.z, late.z[:450])
    told = {(one.rule, one.up, one.index) for one in signals(early)}
    assert (Rule.LIMIT, True, 300) in told
    assert told <= {(one.rule, one.up, one.index) for one in signals(late)}


def test_a_lasting_shift_is_signalled_once_by_the_sums_and_dated_back():
    counts = quiet(500, seed=9)
    counts[400:] = quiet(100, mean=22.0, seed=10)
    found = [one for one in signals(charts(TEAR_OFFS, series(counts))) if one.index >= 395 and one.rule == Rule.CUSUM]
    assert len([one for one in found if one.up and one.index < 440]) == 1
    first = next(one for one in found if one.up)
    assert 390 <= first.first <= 410
    assert 400 <= first.index <= 420


def test_false_signals_are_about_as_rare_as_the_tables_of_the_charts_say():
    """Run lengths in control: 370 for three sigma, 465 two-sided for CUSUM (h 5, k 0.5), 560 for EWMA (0.2, 3.0).

    The e-Handbook and Lucas & Saccucci (1990) for normal values; counts of 64 a day are near enough to normal.
    """
    told, days = {}, 0
    for seed in range(40):
        for one in signals(charts(TEAR_OFFS, series(quiet(700, mean=64.0, seed=seed)))):
            told[one.rule] = told.get(one.rule, 0) + 1
        days += 700
    assert 250 < days / told[Rule.LIMIT] < 700
    assert 250 < days / told[Rule.CUSUM] < 900
    assert 250 < days / told[Rule.EWMA] < 1100


@pytest.mark.parametrize("days", [0, 1, 7])
def test_too_few_days_make_no_chart(days):
    assert charts(TEAR_OFFS, series([3] * days)) is None


def test_a_machine_that_never_tore_off_has_charts_and_no_signal():
    assert signals(charts(TEAR_OFFS, series([0] * 300))) == []
    first = charts(TEAR_OFFS, series([*[0] * 250, 5, *[0] * 49]))  # the first ones ever
    assert np.isfinite(first.z).all()
    assert charts(SPOILED, series([0] * 40, cans=0)) is None


def test_the_refit_stores_each_signal_once_and_knows_it_again(manager, machine):
    counts = quiet(500)
    counts[480] = 60
    store(machine, counts)
    refit(manager)
    day = TODAY - dt.timedelta(days=19)
    signal = Signal.objects.get(day=day, rule="limit")
    assert (signal.machine, signal.measure, signal.up, signal.counts, signal.made) == (
        machine,
        "tear_offs",
        True,
        60,
        CANS,
    )
    assert signal.rate == pytest.approx(150.0)
    assert signal.limit < 150.0
    many = Signal.objects.count()
    services.say(by=manager, at=NOW, signal=signal, found="A worn die.", version=1)
    refit(manager)
    again = Signal.objects.get(day=day, rule="limit")
    assert (again.pk, again.found, Signal.objects.count()) == (signal.pk, "A worn die.", many)
    DayCount.objects.filter(day=day).update(tear_offs=16)  # the count had been typed wrongly
    refit(manager)
    assert not Signal.objects.get(pk=signal.pk).holds


def test_few_counts_a_day_are_charted_by_the_week(manager, machine):
    counts = quiet(500, mean=2.0)
    counts[-28:] = 12
    store(machine, counts)
    refit(manager)
    assert set(Signal.objects.values_list("by_week", flat=True)) == {True}
    assert all(day.weekday() == 0 for day in Signal.objects.values_list("day", flat=True))


def test_two_years_of_quarters_are_watched():
    assert watched_from(dt.date(2026, 6, 15)) == dt.date(2024, 7, 1)
    assert watched_from(dt.date(2026, 1, 1)) == dt.date(2024, 4, 1)


def made_signal(machine, day, **more):
    figures = {"rate": 60.0, "centre": 40.0, "limit": 58.0, "counts": 24, "made": CANS, "refitted_at": NOW}
    about = {"measure": "tear_offs", "rule": "limit", "up": True, "day": day, "began_on": day}
    return Signal.objects.create(machine=machine, **{**about, **figures, **more})


def test_what_changed_within_a_day_is_shown_and_nothing_farther_off(manager, machine, signed_in):
    day = TODAY - dt.timedelta(days=10)
    signal = made_signal(machine, day, began_on=day - dt.timedelta(days=20), rule="cusum")
    noon = dt.datetime.combine(day, dt.time(12), tzinfo=dt.UTC)
    tools = ToolingSet.objects.create(plant=manager.plant, name="Set 9")
    Fitting.objects.create(tooling_set=tools, machine=machine, fitted_at=noon - dt.timedelta(days=20))
    for days, kind in ((-1, "jam"), (0, "metal"), (2, "crash"), (-2, "ram_work"), (-10, "bushing_work")):
        at = noon + dt.timedelta(days=days)
        Event.objects.create(
            machine=machine, at=at, kind=kind, coil_lot="C-77" if kind == "metal" else "", by=manager
        )
    visit = invented.signed_visit(machine, manager, noon + dt.timedelta(days=1))
    other = factories.machine(machine.line)
    Event.objects.create(machine=other, at=noon, kind="jam", by=manager)
    said = [change.said for change in changes_near([signal])[signal.pk]]
    assert [words.split(" ", 1)[1] for words in said] == [
        "tooling set on: Set 9",
        "jam",
        "coil or metal change: coil lot C-77",
        "visit: routine check",
    ]
    client = signed_in(manager)
    for name, parts in (("trends:signals", []), ("trends:signal", [signal.pk])):
        shown = client.get(reverse(name, args=parts), {"days": ""}).content.decode()
        assert "coil lot C-77" in shown
        assert reverse("alignment:visit", args=[visit.pk]) in shown


def test_the_night_of_a_production_day_belongs_to_the_day_it_began_in(manager, machine):
    """At 03:00 on the 6th it is still the production day of the 5th (days begin at six, Berlin time)."""
    signal = made_signal(machine, dt.date(2026, 6, 4))
    for hour in (3, 5):  # 03:00 UTC is 05:00, 05:00 UTC is 07:00 in Berlin
        at = dt.datetime(2026, 6, 6, hour, tzinfo=dt.UTC)
        Event.objects.create(machine=machine, at=at, kind="jam", note=f"{hour} UTC", by=manager)
    assert [change.detail for change in changes_near([signal])[signal.pk]] == ["3 UTC"]


def test_somebody_says_what_was_found_also_for_those_near_it(manager, machine, signed_in):
    day = TODAY - dt.timedelta(days=10)
    signal = made_signal(machine, day)
    near = made_signal(machine, day - dt.timedelta(days=3), rule="ewma")
    far = made_signal(machine, day - dt.timedelta(days=8), rule="ewma")
    down = made_signal(machine, day, up=False)
    mechanic = factories.person("mechanic", manager.plant)
    client = signed_in(mechanic)
    url = reverse("trends:signal_answer", args=[signal.pk])
    assert client.post(url, {"found": "Die chipped", "version": 1, "along": "on"}).status_code == 302
    answered = Signal.objects.filter(found="Die chipped")
    assert set(answered) == {signal, near}
    assert set(answered.values_list("closed_by", flat=True)) == {mechanic.pk}
    assert AuditEvent.objects.filter(action="said what was found").count() == 2
    assert not Signal.objects.filter(pk__in=[far.pk, down.pk]).exclude(found="").exists()
    shown = client.get(reverse("trends:signal", args=[signal.pk])).content.decode()
    assert "Die chipped" in shown
    assert str(mechanic) in shown


def test_bad_answers_are_told_and_who_comes_second_sees_both(manager, machine, signed_in):
    signal = made_signal(machine, TODAY)
    url = reverse("trends:signal_answer", args=[signal.pk])
    client = signed_in(manager)
    for typed, sentence in (
        ({"version": 1}, "Say what was found."),
        ({"found": "   ", "version": 1}, "Say what was found."),
        ({"found": "x" * 401, "version": 1}, "at most 400"),
        ({"found": "x", "version": "9" * 30}, "Reload the page."),
        ({"found": "x", "version": ""}, "Reload the page."),
    ):
        answer = client.post(url, typed)
        assert answer.status_code == 422
        assert sentence in answer.content.decode()
    assert client.post(url, {"found": "theirs", "version": 1}).status_code == 302
    answer = client.post(url, {"found": "mine", "version": 1})
    assert answer.status_code == 409
    assert "theirs" in answer.content.decode()
    assert ">\nmine" in answer.content.decode()
    with pytest.raises(Conflict):
        services.say(by=manager, at=NOW, signal=signal, found="x", version=1)
    with pytest.raises(NotAllowed):
        services.say(by=factories.person("viewer", manager.plant), at=NOW, signal=signal, found="x", version=2)


def test_the_list_is_as_chosen(manager, machine, signed_in):
    made_signal(machine, REAL_TODAY, up=False)
    closed = made_signal(machine, REAL_TODAY - dt.timedelta(days=1), measure="spoiled")
    services.say(by=manager, at=NOW, signal=closed, found="nothing", version=1)
    client = signed_in(manager)

    def shown(**choice):
        return {line.signal.day for line in client.get(reverse("trends:signals"), choice).context["lines"]}

    today, before = REAL_TODAY, closed.day
    assert shown() == {today}
    assert shown(state="answered") == {before}
    assert shown(state="") == {today, before}
    assert shown(state="", measure="spoiled") == {before}
    assert shown(state="", way="up") == {before}
    assert shown(state="", machine=machine.pk) == {today, before}
    for bad in ({"state": "x"}, {"machine": 0}, {"machine": "x"}, {"days": "9"}, {"way": "\0"}):
        assert client.get(reverse("trends:signals"), bad).status_code == 422


@pytest.mark.parametrize("grain", ["shift", "day", "week"])
@pytest.mark.parametrize("measure", ["tear_offs", "spoiled"])
def test_the_charts_of_a_machine_open_by_shift_day_and_week(manager, machine, signed_in, grain, measure):
    today = REAL_TODAY
    store(machine, quiet(300), until=today)
    shifts = list(machine.line.plant.shifts.all())
    ShiftCount.objects.bulk_create(
        ShiftCount(machine=machine, day=today - dt.timedelta(days=n), shift=shift, cans=CANS // 3, tear_offs=n % 9)
        for n in range(300)
        for shift in shifts
    )
    client, choice = signed_in(manager), {"grain": grain, "measure": measure, "span": "91"}
    page = client.get(reverse("trends:machine_signals", args=[machine.pk]), choice)
    assert page.status_code == 200
    assert "rest on the 182 days before it" in page.content.decode()
    answer = client.get(reverse("trends:signal_figures", args=[machine.pk]), choice)
    figure = json.loads(answer.content)["control"]
    titles = [note["text"] for note in figure["layout"]["annotations"]]
    assert [("sigma" in titles[0]), ("EWMA" in titles[1]), ("CUSUM" in titles[2])] == [True] * 3
    assert figure["layout"]["yaxis"]["title"]["text"] in ("per million cans", "% of cans")
    assert "NaN" not in answer.content.decode()


@pytest.mark.parametrize("thin", ["nothing", "one day", "no cans", "never tore off", "all equal"])
def test_thin_data_get_a_sentence(manager, machine, signed_in, thin):
    today = REAL_TODAY
    if thin == "one day":
        store(machine, [3], until=today)
    if thin == "no cans":
        store(machine, [0] * 30, until=today, cans=0)
    if thin == "never tore off":
        store(machine, [0] * 300, until=today)
    if thin == "all equal":
        store(machine, [16] * 300, until=today)
    refit(manager)
    client = signed_in(manager)
    shown = client.get(reverse("trends:machine_signals", args=[machine.pk]))
    figures = client.get(reverse("trends:signal_figures", args=[machine.pk]))
    assert (shown.status_code, figures.status_code) == (200, 200)
    words = shown.content.decode()
    if thin in ("nothing", "no cans", "one day"):
        assert figures.json() == {}
        assert "nothing to chart" in words or "charts need eight with cans" in words
    assert "No signal of tear-offs in this span." in words
    assert "No signal fits this choice" in client.get(reverse("trends:signals")).content.decode()


def test_pages_ask_as_often_for_many_signals_as_for_one(manager, machine, signed_in):
    client = signed_in(manager)
    signal = made_signal(machine, REAL_TODAY)

    def asked(url):
        client.get(url)
        with CaptureQueriesContext(connection) as seen:
            assert client.get(url).status_code == 200
        return len(seen)

    urls = [
        reverse("trends:signals"),
        reverse("trends:machine_signals", args=[machine.pk]),
        reverse("trends:signal", args=[signal.pk]),
    ]
    one = [asked(url) for url in urls]
    for number in range(30):
        other = factories.machine(machine.line)
        made_signal(other, REAL_TODAY)
        made_signal(machine, REAL_TODAY - dt.timedelta(days=number + 8))
        Event.objects.create(machine=other, at=NOW, kind="jam", by=manager)
    assert [asked(url) for url in urls] == one
    assert max(one) <= 12
