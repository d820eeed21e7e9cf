"""Misalignment against rates, and before and after: what the pages show, say, and say where there is not enough."""

import csv
import datetime as dt
import io
import math
import re

import numpy as np
import pytest
from django.core.cache import cache
from django.urls import reverse

from linelog.alignment.models import Visit
from linelog.calc.misalignment import Point
from linelog.calc.sets import Against
from linelog.plant.models import Fitting, ToolingSet
from linelog.production.models import DayCount
from linelog.trends import refit
from linelog.trends.choice import Span
from linelog.trends.evidence import before_after, page, say
from linelog.trends.evidence.answer import Answer
from linelog.trends.evidence.family import judged
from linelog.trends.evidence.figures import severity_figure
from linelog.trends.evidence.scope import SPOILED, TEAR_OFFS, Scope
from linelog.trends.models import Fit, Piece
from linelog.web.plotly import untyped
from tests import factories
from tests.trends import invented

pytestmark = pytest.mark.django_db
TODAY = factories.counted_today()
MACHINES, EVERY, VISITS = 4, 28, 12


@pytest.fixture(autouse=True)
def _nothing_remembered():
    cache.clear()


def live(machine, by, seed, *, effect, per_million=60.0):
    """A year of visits that find the domer somewhere and leave it on the line, and counts that go with it."""
    rng = np.random.default_rng(seed)
    station = machine.stations.get(kind="domer")
    first = TODAY - dt.timedelta(days=EVERY * VISITS)
    rows, results, severity = [], [], 0.5
    for number in range(VISITS):
        day = first + dt.timedelta(days=EVERY * number)
        at = dt.datetime.combine(day, dt.time(10), tzinfo=dt.UTC)
        reason = Visit.Reason.TEAR_OFFS if number == 3 else Visit.Reason.ROUTINE
        visit = invented.signed_visit(machine, by, at, reason=reason)
        left = rng.uniform(0.0, 1.2)
        for stage, share in (("as_found", severity), ("as_left", left)):
            offset = (share * station.limit_um, 0.0)
            results.append(invented.result(visit, station, stage, offset, seat=station.seats[0]))
        severity = left + rng.uniform(0.0, 0.6)
        for index in range(EVERY):
            here = left + (severity - left) * index / EVERY
            mean = 400_000 * per_million / 1e6 * np.exp(effect * here)
            torn = int(rng.poisson(mean))
            counted = {"cans": 398_000, "spoiled": 2_000, "tear_offs": torn}
            rows.append(DayCount(machine=machine, day=day + dt.timedelta(days=index), **counted))
    invented.store(results)
    DayCount.objects.bulk_create(rows)


@pytest.fixture(scope="module")
def made(kept_by_the_module):
    """Four machines whose tear-offs go with severity, with one that was never visited; summaries worked out."""
    line = factories.line()
    by = factories.person("manager", line.plant, first_name="Zebulon", last_name="Quackenbush")
    machines = [factories.machine(line, name=f"BM {number}") for number in range(MACHINES)]
    for number, machine in enumerate(machines):
        live(machine, by, number, effect=0.6)
        tools = ToolingSet.objects.create(plant=line.plant, name=f"Set {number}")
        Fitting.objects.create(
            tooling_set=tools, machine=machine, fitted_at=dt.datetime.now(dt.UTC) - dt.timedelta(days=900)
        )
    never = factories.machine(line, name="BM never")
    work_out(line.plant)
    return line.plant, by, [*machines, never]


@pytest.fixture
def fleet(made, db):
    """The same rows, read anew: what a test does to them is undone after it."""
    plant, by, machines = made
    return again(plant), again(by), [again(machine) for machine in machines]


def again(row):
    return type(row).objects.get(pk=row.pk)


def work_out(plant):
    refit.mark_all(plant, dt.datetime.now(dt.UTC))
    refit.refresh(plant, dt.datetime.now(dt.UTC))


def text(answer):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode())).replace("&#x27;", "'")


def main_part(answer):
    return answer.content.decode().split("<main", 1)[1]


def test_the_fleet_page_finds_the_effect_that_was_put_in_and_says_what_it_rests_on(fleet, signed_in):
    plant, by, _ = fleet
    kept = Fit.objects.get(plant=plant, kind="misalignment", scope="tear_offs/worst/24m")
    effect = kept.result["effect"]
    assert effect["low"] < np.exp(0.6) < effect["high"]
    page = text(signed_in(by).get(reverse("trends:evidence")))
    assert f"goes with {effect['ratio']:.2f} times (95 %: {effect['low']:.2f} to" in page
    assert f"Without the correction: {kept.result['plain']['ratio']:.2f} times" in page
    assert "stretches of time between two signed visits on 4 machines" in page
    assert "It says what goes together, not why" in page
    assert "left out: no visit before" in page
    assert "Worked out" in page


def test_the_word_causes_is_never_said_of_the_effect(fleet, signed_in):
    _plant, by, machines = fleet
    client = signed_in(by)
    for url in (reverse("trends:evidence"), reverse("trends:machine_evidence", args=[machines[0].pk])):
        assert not re.search(r"\bcauses\b|\bcaused\b|because of", text(client.get(url)), re.IGNORECASE)
    assert not any(re.search(r"\bcaus", fit.sentence) for fit in Fit.objects.all())


def test_a_bad_set_is_not_lost_among_the_stations_of_the_page_nor_among_the_sets_of_another_rate():
    """Benjamini & Hochberg by hand: the least of 40 chances stands out below 0.05 / 40 = 0.00125."""
    chances = [0.0012, *np.linspace(0.1, 1.0, 39).tolist()]
    sets = tuple(Against(number, 9, 9, 9.0, 1.5, 1.1, 2.0, p) for number, p in enumerate(chances))
    effect = {"ratio": 1.0, "low": 0.9, "high": 1.1, "p": 0.9}
    scopes = [
        Scope(measure, station) for measure in (TEAR_OFFS, SPOILED) for station in ("worst", "domer", "tool_pack")
    ]
    found = judged({scope: Answer("", effect=effect, tooling=sets) for scope in scopes})
    assert [one.label for one in found[Scope()].tooling if one.shown] == [0]
    assert not any(one.shown for one in found.values())


def test_what_cannot_be_told_from_the_visit_itself_is_said_so_and_nothing_is_claimed():
    """Visits that bring the rate down for a time whatever they find: 1.28 with the visit in it, nothing without."""
    found = {"ratio": 1.02, "low": 0.9, "high": 1.16, "shown": False}
    said = say.effect(Scope(), found | {"with_visit": 1.28})
    assert said.startswith("No link shown")
    assert "1.28 times" in said
    assert "cannot be told from what a visit brings by itself" in said
    assert "visit" not in say.effect(Scope(), found)


def test_the_chart_is_the_fit_that_is_stored(fleet, signed_in):
    _plant, by, _ = fleet
    figure = signed_in(by).get(reverse("trends:evidence_figures")).json()["severity"]
    effect = Fit.objects.get(scope="tear_offs/worst/24m").result["effect"]
    traces = {trace["name"]: trace for trace in figure["data"]}
    x, y = untyped(traces["Fitted"]["x"]), untyped(traces["Fitted"]["y"])
    assert y == pytest.approx(effect["base"] * effect["ratio"] ** (x - effect["centre"]))
    points = traces["Stretches of time of about one severity"]
    assert len(untyped(points["x"])) == len(untyped(points["error_y"]["array"])) >= 3
    assert "per million" in figure["layout"]["yaxis"]["title"]["text"]
    assert "severity" in figure["layout"]["xaxis"]["title"]["text"]


@pytest.mark.parametrize("rates", [(30.0, 40.0, 66.0), (2.0, 30.0, 66.0), (300.0, 310.0, 305.0)])
def test_no_mark_of_the_severity_chart_hides_the_interval_it_stands_for(rates):
    points = tuple(Point(0.4 * at, rate, 0.98 * rate, 1.02 * rate, 10**7, 300) for at, rate in enumerate(rates))
    effect = {"ratio": 1.3, "low": 1.1, "high": 1.5, "base": rates[0], "centre": 0.5, "shown": True}
    figure = severity_figure(Scope(), Answer("", effect=effect, points=points))
    bottom, top = figure["layout"]["yaxis"]["range"]
    margin = figure["layout"]["margin"]
    px = (figure["layout"]["height"] - margin["t"] - margin["b"]) / (top - bottom)
    drawn = next(trace for trace in figure["data"] if "error_y" in trace)
    spans = untyped(drawn["error_y"]["array"]) + untyped(drawn["error_y"]["arrayminus"])
    far = np.array(rates) > max(rates) / 3.0  # nearer to zero 2 % of it is no more than the mark on any scale
    assert drawn["error_y"]["width"] > drawn["marker"]["size"] / 2.0, "its ends are wider than the mark"
    assert (px * spans[far] > drawn["marker"]["size"]).any()
    assert bottom < 0.98 * min(rates)
    assert top > 1.02 * max(rates)


def test_worth_is_priced_at_the_plants_own_costs(fleet, signed_in):
    plant, by, _ = fleet
    plant.tear_off_clear_minutes, plant.minute_value, plant.currency = 10.0, 3.0, "GBP"
    plant.save()
    monthly = Fit.objects.get(scope="tear_offs/worst/24m").result["monthly"]
    page = text(signed_in(by).get(reverse("trends:evidence")))
    assert f"{monthly['count'] * 30:.0f} {monthly['low'] * 30:.0f} to {monthly['high'] * 30:.0f}" in page
    assert "GBP a month" in page


def test_a_machine_has_its_own_answer_and_one_without_visits_says_so(fleet, signed_in):
    _, by, machines = fleet
    client = signed_in(by)
    own = text(client.get(reverse("trends:machine_evidence", args=[machines[0].pk])))
    assert "stretches of time between two signed visits on 1 machine" in own
    assert "What the whole fleet did at the time is taken out" in own
    never = reverse("trends:machine_evidence", args=[machines[-1].pk])
    assert "Not enough data: no cans were counted between two signed visits" in text(client.get(never))
    assert client.get(reverse("trends:machine_evidence_figures", args=[machines[-1].pk])).json() == {}


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("?measure=spoiled", "spoiled cans"),
        ("?station=domer", "tear-offs"),
        ("?station=stripper", "Not enough data"),
        ("?span=all", "tear-offs"),
        ("?span=12m", "tear-offs"),
    ],
)
def test_every_choice_has_an_answer(fleet, signed_in, query, words):
    _, by, machines = fleet
    client = signed_in(by)
    for url in (reverse("trends:evidence"), reverse("trends:machine_evidence", args=[machines[0].pk])):
        answer = client.get(url + query)
        assert answer.status_code == 200
        assert words in text(answer)


def test_one_tooling_set_can_be_asked_for_and_all_are_held_against_what_was_expected(fleet, signed_in):
    plant, by, _ = fleet
    client = signed_in(by)
    tools = ToolingSet.objects.get(plant=plant, name="Set 1")
    assert "on 1 machine" in text(client.get(reverse("trends:evidence") + f"?tooling={tools.pk}"))
    assert "would stand out" not in text(client.get(reverse("trends:evidence")))
    assert Fit.objects.get(scope="tear_offs/worst/24m").result["tooling"] == []  # on one machine alone: its machine


@pytest.mark.parametrize("query", ["?measure=nothing", "?station=hat", "?span=9y", "?tooling=99999", "?tooling=%00"])
def test_what_is_not_there_is_said_at_its_field_with_422(fleet, signed_in, query):
    _, by, _ = fleet
    client = signed_in(by)
    answer = client.get(reverse("trends:evidence") + query)
    assert answer.status_code == 422
    assert "choose one of those shown" in text(answer)
    assert client.get(reverse("trends:evidence_figures") + query).status_code == 422


def set_counts(machine, **counts):
    DayCount.objects.filter(machine=machine).update(**counts)
    work_out(machine.line.plant)


BAD = {
    "never tore off": ({"tear_offs": 0}, "", "no tear-offs in"),
    "zero cans": ({"cans": 0, "spoiled": 0}, "", "no cans were counted between two signed visits"),
    "more spoiled than made": (
        {"cans": 10, "spoiled": 500_000},
        "?measure=spoiled",
        "more cans were spoiled than good",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_counts_are_a_sentence(fleet, signed_in, case):
    _, by, machines = fleet
    counts, query, words = BAD[case]
    set_counts(machines[0], **counts)
    answer = signed_in(by).get(reverse("trends:machine_evidence", args=[machines[0].pk]) + query)
    assert answer.status_code == 200
    assert words in text(answer)


def test_offsets_that_are_all_equal_are_a_sentence(fleet, signed_in):
    _, by, machines = fleet
    Piece.objects.filter(machine=machines[0], severity__isnull=False).update(severity=0.7)
    answer = signed_in(by).get(reverse("trends:machine_evidence", args=[machines[0].pk]))
    assert "Not enough data: severity is the same in every row" in text(answer)


def test_an_empty_plant_and_one_visit_are_sentences(signed_in):
    plant = factories.plant()
    by = factories.person("manager", plant)
    client = signed_in(by)
    assert "Not enough data" in text(client.get(reverse("trends:evidence")))
    assert "Not enough data. The visits have not been judged yet" in text(client.get(reverse("trends:before_after")))
    assert client.get(reverse("trends:before_after_figures")).json() == {}
    machine = factories.machine(factories.line(plant))
    invented.history(machine, by, 1, until=dt.datetime.now(dt.UTC), every=9)
    work_out(plant)
    assert "Not enough data" in text(client.get(reverse("trends:machine_evidence", args=[machine.pk])))
    assert "Not enough data. No visit has been signed" in text(client.get(reverse("trends:before_after")))


def test_a_visit_is_judged_by_the_days_after_it_and_what_was_expected_of_them(fleet, signed_in):
    plant, by, machines = fleet
    fit = before_after.fit_of(plant, TEAR_OFFS, 7)
    each = before_after.page_of(fit, Span.ALL, machines[0].pk, 1, TODAY).each
    row = next(one for one in each if one.ratio is not None)
    days = DayCount.objects.filter(machine=machines[0])
    day = dt.date.fromisoformat(row.name)
    torn = {
        side: sum(
            days.filter(day__gt=day - dt.timedelta(days=a), day__lt=day + dt.timedelta(days=b)).values_list(
                "tear_offs", flat=True
            )
        )
        for side, a, b in (("before", 8, 0), ("after", 0, 8))
    }
    assert (row.counts_before, row.counts_after) == (torn["before"], torn["after"])
    assert row.ratio == pytest.approx(torn["after"] / row.expected)
    page = text(signed_in(by).get(reverse("trends:before_after") + f"?machine={machines[0].pk}&window=7&span=all"))
    assert f"{row.low:.2f} to {row.high:.2f}" in page
    assert "its days are not over" in page or "too few days with cans" in page


def test_what_is_put_together_is_told_by_counts_reason_and_machine_and_drawn(fleet, signed_in):
    _, by, _ = fleet
    client = signed_in(by)
    page = text(client.get(reverse("trends:before_after") + "?span=24m"))
    assert "After its visits the plant counted fewer than was expected" in page or "No difference is shown" in page
    assert "Rate had not risen" in page
    assert "would show" in page
    figures = client.get(reverse("trends:before_after_figures") + "?span=24m").json()
    assert len(untyped(figures["reasons"]["data"][1]["x"])) >= 3
    labels = figures["machines"]["layout"]["yaxis"]["ticktext"]
    assert [label.split(" (")[0] for label in labels] == [f"BM {number}" for number in range(MACHINES)]


def test_a_visit_with_other_tools_put_on_in_these_days_is_not_told(fleet, signed_in):
    plant, by, machines = fleet
    told = before_after.page_of(before_after.fit_of(plant, TEAR_OFFS, 7), Span.ALL, machines[0].pk, 1, TODAY)
    row = next(one for one in told.each if one.ratio is not None)
    on = machines[0].fittings.get()
    on.removed_at = dt.datetime.combine(dt.date.fromisoformat(row.name), dt.time(12), tzinfo=dt.UTC)
    on.save()
    work_out(plant)
    again = before_after.page_of(before_after.fit_of(plant, TEAR_OFFS, 7), Span.ALL, machines[0].pk, 1, TODAY)
    now = next(one for one in again.each if one.url == row.url)
    assert (now.ratio, now.word) == (None, "other tools put on: not told")
    assert again.machines[0].visits == told.machines[0].visits - 1
    assert "not told" in text(signed_in(by).get(reverse("trends:before_after") + "?span=all"))


@pytest.mark.parametrize("query", ["?window=5", "?machine=0", "?span=x", "?measure=people"])
def test_a_wrong_choice_of_days_is_said_with_422(fleet, signed_in, query):
    _, by, _ = fleet
    client = signed_in(by)
    assert client.get(reverse("trends:before_after") + query).status_code == 422
    assert client.get(reverse("trends:before_after_figures") + query).status_code == 422


@pytest.mark.parametrize("page", ["0", "-1", "x", "99999999999", "2"])
def test_any_page_number_is_answered(fleet, signed_in, page):
    assert signed_in(fleet[1]).get(reverse("trends:before_after") + f"?page={page}&span=24m").status_code == 200


def test_no_persons_name_stands_on_any_page_of_evidence(fleet, signed_in):
    """The visits were signed by somebody; evidence is of machines, never of people."""
    _, by, machines = fleet
    client = signed_in(by)
    pages = [reverse("trends:evidence"), reverse("trends:before_after") + "?span=all"]
    pages.append(reverse("trends:machine_evidence", args=[machines[0].pk]))
    for url in pages:
        shown = main_part(client.get(url))
        for name in ("Zebulon", "Quackenbush", by.username):
            assert name not in shown, url
    for url in (reverse("trends:before_after_figures"), reverse("trends:evidence_figures")):
        assert "Quackenbush" not in client.get(url).content.decode()


def test_the_query_count_does_not_grow_with_visits(fleet, signed_in, django_assert_max_num_queries):
    _, by, machines = fleet
    client = signed_in(by)
    for url, most in (
        (reverse("trends:evidence"), 46),  # with the state of every machine, for what the coming week costs
        (reverse("trends:machine_evidence", args=[machines[0].pk]), 22),
        (reverse("trends:before_after") + "?span=all", 20),
    ):
        client.get(url)
        with django_assert_max_num_queries(most):
            client.get(url)


def test_newer_counts_are_said_until_they_are_added_up(fleet, signed_in):
    plant, by, machines = fleet
    refit.mark_all(plant, dt.datetime.now(dt.UTC))
    client = signed_in(by)
    assert "5 machines have newer counts or visits" in text(client.get(reverse("trends:evidence")))
    own = text(client.get(reverse("trends:machine_evidence", args=[machines[0].pk])))
    assert "This machine has newer counts or visits" in own


def test_answers_in_short_say_the_same_as_the_whole_ones(fleet):
    plant, _, _ = fleet
    store = page.Store(plant, TODAY)
    scopes = [Scope(TEAR_OFFS, kind) for kind in ("domer", "stripper")] + [Scope(SPOILED)]
    assert any(store.fleet(one).effect for one in scopes)
    for one in scopes:
        whole, short = store.fleet(one), store.in_short(one)
        assert (short.sentence, short.rests_on, short.effect) == (whole.sentence, whole.rests_on, whole.effect)
    Fit.objects.filter(plant=plant).delete()  # as by a refit after the page has begun
    fresh = page.Store(plant, TODAY)
    assert fresh.in_short(scopes[0]).sentence == fresh.fleet(scopes[0]).sentence != ""


def test_a_plant_with_a_short_record_is_told_what_is_missing(signed_in):
    line = factories.line()
    by, machine = factories.person("manager", line.plant), factories.machine(line)
    invented.signed_visit(machine, by, dt.datetime.combine(TODAY - dt.timedelta(days=20), dt.time(10), tzinfo=dt.UTC))
    rows = [
        DayCount(machine=machine, day=TODAY - dt.timedelta(days=ago), cans=400_000, tear_offs=20)
        for ago in range(1, 60)
    ]
    DayCount.objects.bulk_create(rows)
    work_out(line.plant)
    page = text(signed_in(by).get(reverse("trends:before_after")))
    assert "Too few days without a visit to learn from: it takes 60 such spans of days." in page


def test_the_table_that_is_taken_away_says_of_a_visit_what_its_page_says(fleet, signed_in):
    plant, by, machines = fleet
    answer = signed_in(by).get(reverse("reports:file", args=["before_after", "csv"]))
    taken = csv.DictReader(io.StringIO(b"".join(answer.streaming_content).decode("utf-8-sig")))
    rows = {row["day"]: row for row in taken if (row["machine"], row["window_days"]) == (str(machines[0]), "7")}
    told = before_after.page_of(before_after.fit_of(plant, TEAR_OFFS, 7), Span.ALL, machines[0].pk, 1, TODAY).each
    assert {one.name for one in told} <= set(rows)
    assert {one.ratio is None for one in told} == {True, False}
    for one in told:
        row, shown = rows[one.name], (one.expected, one.ratio)
        assert [row["tear_offs_before"], row["tear_offs_after"]] == [str(one.counts_before), str(one.counts_after)]
        assert [row["made_before"], row["made_after"]] == [str(one.made_before), str(one.made_after)]
        kept = [float(row[f"tear_offs_{name}"] or "nan") for name in ("expected", "ratio")]
        assert kept == pytest.approx([math.nan if value is None else value for value in shown], nan_ok=True)
