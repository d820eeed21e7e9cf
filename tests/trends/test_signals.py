"""The watch over machines against their line: which signals it raises, what it says of itself, its charts."""

import datetime as dt
import json

import numpy as np
import pytest
from django.urls import reverse

from linelog.calc.watch_design import Width
from linelog.plant.models import Plant
from linelog.production.models import DayCount, ShiftCount
from linelog.production.queries import DaySeries
from linelog.trends.control import services, watched
from linelog.trends.control.charts import charts
from linelog.trends.control.refit import OPEN_DAYS, quarters_until, refit_signals
from linelog.trends.models import Fit, Signal
from linelog.trends.rates import SPOILED, TEAR_OFFS
from tests import factories
from tests.trends import invented
from tests.trends.invented import made_signal

NOW, TODAY = factories.NOW, factories.NOW.date()
REAL_TODAY = factories.counted_today()  # pages read the clock
CANS = 400_000


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


def test_the_charts_of_a_day_stay_what_they_are_when_later_days_come_in():
    counts = quiet(500, seed=2)
    counts[300] = 60
    early = charts(TEAR_OFFS, series(counts[:450], TODAY - dt.timedelta(days=50)))
    late = charts(TEAR_OFFS, series(counts))
    assert np.array_equal(early.z, late.z[:450])
    assert late.beyond[300]


@pytest.mark.parametrize("days", [0, 1, 7])
def test_too_few_days_make_no_chart(days):
    assert charts(TEAR_OFFS, series([3] * days)) is None


def test_a_machine_that_never_tore_off_has_charts():
    first = charts(TEAR_OFFS, series([*[0] * 250, 5, *[0] * 49]))  # the first ones ever
    assert np.isfinite(first.z).all()
    assert charts(SPOILED, series([0] * 40, cans=0)) is None


def line_of(machine, days=500, machines=6, rise=2.0, began=60, lasts=60, mean=16.0):
    """Store the counts of a line whose first machine, `machine`, rose so many days ago; return the others."""
    others = [factories.machine(machine.line, name=f"BM {n}") for n in range(2, machines + 1)]
    for seed, one in enumerate([machine, *others]):
        counts = quiet(days, mean=mean, seed=seed)
        if one is machine and began:
            span = slice(days - began, days - began + lasts)
            counts[span] = quiet(days, mean=mean * rise, seed=99)[span]
        store(one, counts)
    return others


def of(machine, **more):
    return Signal.objects.filter(machine=machine, rule="line", **more).order_by("day")


def test_a_rise_is_one_signal_with_what_the_line_led_to_expect(manager, machine):
    line_of(machine, lasts=40)
    refit(manager)
    began = TODAY - dt.timedelta(days=59)
    signal = of(machine, day__gte=began).first()
    assert began <= signal.day <= began + dt.timedelta(days=8)
    assert abs((signal.began_on - began).days) <= 4
    assert (signal.measure, signal.up, signal.aside, signal.cause) == ("tear_offs", True, "", "")
    assert signal.rate / signal.centre == pytest.approx(2.0, abs=0.5)
    assert signal.centre == pytest.approx(40.0, rel=0.15)  # 16 in 0.4 million
    assert signal.made == ((signal.day - signal.began_on).days + 1) * CANS
    assert not of(machine, day__gt=signal.day, day__lte=signal.day + dt.timedelta(days=27)).exists()


def test_all_machines_of_a_line_together_raise_nothing(manager, machine):
    others = line_of(machine, began=0)
    refit(manager)
    before = set(Signal.objects.values_list("machine", "day"))
    for one in [machine, *others]:
        for row in DayCount.objects.filter(machine=one, day__gt=TODAY - dt.timedelta(days=20)):
            DayCount.objects.filter(pk=row.pk).update(tear_offs=2 * row.tear_offs)
    refit(manager)
    newer = Signal.objects.filter(day__gt=TODAY - dt.timedelta(days=20), aside="")
    assert newer.count() <= len(before) / 4 + 2


def test_the_refit_knows_each_signal_again_and_keeps_what_was_answered(manager, machine):
    line_of(machine)
    refit(manager)
    signal = of(machine, day__gt=TODAY - dt.timedelta(days=60)).first()
    many = Signal.objects.count()
    refit(manager)
    assert (Signal.objects.count(), of(machine, pk=signal.pk, aside="").exists()) == (many, True)
    unanswered = of(machine).exclude(pk=signal.pk).last()
    services.answer(by=manager, at=NOW, seen={signal.pk: 1}, said=services.Words(cause="tooling"))
    days = DayCount.objects.filter(machine=machine)
    days.update(tear_offs=0)  # the counts had been typed wrongly
    refit(manager)
    again = Signal.objects.get(pk=signal.pk)
    assert (again.cause, again.aside, again.counts) == ("tooling", "", signal.counts)
    for other in Signal.objects.filter(machine=machine, cause=""):
        assert other.aside == "counts"
    assert unanswered is None or Signal.objects.filter(pk=unanswered.pk).exists()


def test_signals_of_the_earlier_rules_are_set_aside_and_stay_to_be_read(manager, machine, signed_in):
    line_of(machine, began=0)
    old = made_signal(machine, TODAY - dt.timedelta(days=3), rule="ewma")
    told = made_signal(machine, TODAY - dt.timedelta(days=5), rule="limit", cause="other", found="A worn die.",
                       closed_by=manager, closed_at=NOW)  # fmt: skip
    refit(manager)
    assert set(Signal.objects.exclude(rule="line").values_list("pk", "aside")) == {(old.pk, "rule"), (told.pk, "")}
    client = signed_in(manager)
    shown = {line.signal.pk for line in client.get(reverse("trends:signals"), {"days": ""}).context["lines"]}
    assert not shown & {old.pk, told.pk}
    page = client.get(reverse("trends:signals"), {"days": "", "state": "earlier"})
    assert {line.signal.pk for line in page.context["lines"]} == {old.pk, told.pk}
    text = page.content.decode()
    for sentence in ("A worn die.", "set aside: raised by an earlier rule", "Weighted mean, EWMA (earlier rule)"):
        assert sentence in text
    assert 'name="signal"' not in text
    assert client.get(reverse("trends:signal", args=[told.pk])).status_code == 200


def test_while_a_signal_waits_unanswered_and_the_rate_is_not_back_there_is_no_other(manager, machine):
    """Of twins in which the first was answered at once, or not, only the former tells of a second rise."""
    line_of(machine, rise=2.0, began=120, lasts=120)
    counts = {row.day: row for row in DayCount.objects.filter(machine=machine, day__gt=TODAY - dt.timedelta(days=50))}
    for row in counts.values():
        DayCount.objects.filter(pk=row.pk).update(tear_offs=2 * row.tear_offs)
    refit(manager)
    since = TODAY - dt.timedelta(days=125)
    first = of(machine, day__gt=since).first()
    assert first.back_on is None
    assert not of(machine, day__gt=first.day, day__lte=first.day + dt.timedelta(days=OPEN_DAYS)).exists()
    services.answer(
        by=manager, at=NOW - dt.timedelta(days=100), seen={first.pk: 1}, said=services.Words(cause="tooling")
    )
    refit(manager)
    second = of(machine, day__gt=TODAY - dt.timedelta(days=50)).first()
    assert second.day <= TODAY - dt.timedelta(days=40)


def test_a_visit_makes_the_next_rise_a_signal_of_its_own(manager, machine):
    line_of(machine, rise=2.0, began=60, lasts=60)
    at = dt.datetime.combine(TODAY - dt.timedelta(days=45), dt.time(12), tzinfo=dt.UTC)
    invented.signed_visit(machine, manager, at)
    refit(manager)
    days = [row.day for row in of(machine, day__gt=TODAY - dt.timedelta(days=61))]
    assert len(days) == 2
    assert days[0] < at.date() < days[1]


def test_what_the_watch_can_see_is_said_and_who_is_not_watched(manager, machine, signed_in):
    line_of(machine, days=560)
    alone = factories.machine(factories.line(manager.plant), name="BM 77")
    store(alone, quiet(560))
    refit(manager)
    kept = Fit.objects.get(kind="signals", scope="tear_offs").result
    assert (kept["budget"], kept["holds"], kept["standing"][str(alone.pk)]) == (4.0, True, "alone")
    assert kept["delay"]["soon"] > kept["delay"]["by_chance"]
    client = signed_in(manager)
    page = client.get(reverse("trends:signals")).content.decode()
    soon = f"{100 * kept['delay']['soon']:.0f} % were seen within 14 days"
    for sentence in ("limits for 4 signals a machine-year", soon, "Not watched: BM 77; no other machine of its line"):
        assert sentence in page
    shown = client.get(reverse("trends:machine_signals", args=[alone.pk])).content.decode()
    assert "Not watched now: no other machine of its line makes cans" in shown


@pytest.mark.parametrize(
    ("kept", "sentence"),
    [
        ({"holds": None}, "no signals yet, since too little was counted to set limits by"),
        ({"holds": False}, "the budget can&#x27;t be held"),
        ({"holds": True, "delay": None}, "How soon a rise is seen can&#x27;t be told yet"),
        (
            {"holds": True, "delay": {"soon": 0.3, "by_chance": 0.1, "median": None, "rises": 400}},
            "fewer than half in 42 days; without a rise, 10 % of such fortnights hold a signal by chance. Rates here",
        ),
    ],
)
def test_a_watch_that_cannot_tell_says_so(manager, machine, signed_in, kept, sentence):
    result = {"budget": 2.0, "quarter": "2026-04-01", "provisional": False, "years": 9.0, "delay": None,
              "standing": {str(machine.pk): "new"}, **kept}  # fmt: skip
    Fit.objects.create(plant=manager.plant, kind="signals", scope="tear_offs", made_at=NOW, result=result)
    assert sentence in signed_in(manager).get(reverse("trends:signals")).content.decode()


def test_the_budget_of_the_plant_is_shared_by_the_counts_and_a_smaller_one_signals_less(manager, machine):
    others = line_of(machine, days=560, began=0)
    refit(manager)
    assert Fit.objects.get(kind="signals", scope="tear_offs").result["budget"] == 4.0
    assert Fit.objects.get(kind="signals", scope="spoiled").result == {}
    many = Signal.objects.filter(aside="").count()
    Plant.objects.update(signals_a_year=1.0)
    refit(manager)
    assert Signal.objects.filter(aside="").count() < many
    for seed, one in enumerate([machine, *others]):
        for row, spoiled in zip(DayCount.objects.filter(machine=one), quiet(560, 900.0, seed), strict=True):
            DayCount.objects.filter(pk=row.pk).update(spoiled=int(spoiled))
    refit(manager)
    shares = {fit.scope: fit.result["budget"] for fit in Fit.objects.filter(kind="signals")}
    assert shares == {"tear_offs": 0.75, "spoiled": 0.25}


def test_limits_are_found_anew_only_where_a_count_they_rest_on_changed(manager, machine, monkeypatch):
    line_of(machine)
    refit(manager)
    before = list(Signal.objects.values_list("machine", "day", "rate"))
    tries = []
    monkeypatch.setattr(watched, "find_width", lambda part, budget: tries.append(part) or Width(1.0, 4.0, 9.0))
    refit(manager)
    assert (tries, list(Signal.objects.values_list("machine", "day", "rate"))) == ([], before)
    DayCount.objects.filter(machine=machine, day=TODAY - dt.timedelta(days=120)).update(tear_offs=90)
    refit(manager)
    assert len(tries) == 1  # the newest quarter rests on that day, those before it do not
    Plant.objects.update(signals_a_year=3.0)
    refit(manager)
    assert len(tries) == 5


def test_four_quarters_are_watched():
    assert quarters_until(dt.date(2026, 6, 15)) == [
        dt.date(2025, 7, 1),
        dt.date(2025, 10, 1),
        dt.date(2026, 1, 1),
        dt.date(2026, 4, 1),
    ]
    assert quarters_until(dt.date(2026, 1, 1))[0] == dt.date(2025, 4, 1)


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
    assert [("added up" in titles[0]), ("sigma" in titles[1]), ("EWMA" in titles[2])] == [True] * 3
    assert figure["layout"]["yaxis2"]["title"]["text"] in ("per million cans", "% of cans")
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
