"""The ranking: shrunken rates, the funnel, what it says of few cans, and what it costs to read."""

import datetime as dt
import json

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from linelog.calc.shrink import Prior, fit_prior, shrink
from linelog.plant.models import Plant
from linelog.production.models import DayCount
from linelog.trends.models import Fit
from linelog.trends.ranking.refit import refit_ranking, usual_rate
from linelog.web.plotly import untyped
from tests import factories

NOW, TODAY = factories.NOW, factories.NOW.date()


def fleet(manager, machines, days=28, cans=400_000, rate=40.0, seed=1):
    """Machines of one line whose days tear off by chance alone at one rate."""
    line, random = factories.line(manager.plant), np.random.default_rng(seed)
    made = [factories.machine(line, name=f"BM {number}") for number in range(machines)]
    for machine in made:
        count(machine, random.poisson(rate * cans / 1e6, days), cans)
    return made


def count(machine, tear_offs, cans):
    DayCount.objects.bulk_create(
        DayCount(machine=machine, day=TODAY - dt.timedelta(days=n), cans=cans, tear_offs=int(torn))
        for n, torn in enumerate(tear_offs)
    )


def refit(manager):
    refit_ranking(Plant.objects.get(pk=manager.plant_id), NOW)


def rows(client, **choice):
    (board,) = client.get(reverse("trends:ranking"), choice).context["boards"]
    return {row.machine.name: row for row in board.rows}


def test_chance_on_few_cans_does_not_make_a_bad_machine(manager, signed_in):
    machines = fleet(manager, 12)
    lucky, bad = factories.machine(machines[0].line, name="few"), factories.machine(machines[0].line, name="bad")
    count(lucky, [3], 30_000)  # 100 a million, on three counts
    count(bad, np.random.default_rng(5).poisson(36, 28), 400_000)  # 90 a million
    refit(manager)
    ranked = rows(signed_in(manager))
    assert next(iter(ranked)) == "bad"
    assert ranked["bad"].says == "above the fleet"
    assert ranked["few"].says == "no different from the fleet"
    assert float(ranked["few"].shrunk) < 60.0 < float(ranked["few"].rate)
    assert sum(row.says == "no different from the fleet" for row in ranked.values()) >= 11


def test_the_usual_rate_is_that_of_the_machine_in_the_middle():
    made = np.array([1e6, 1e6, 1e6, 1e6, 1e6])
    assert usual_rate(np.array([30.0, 31.0, 32.0, 33.0, 900.0]), made) == pytest.approx(32.0)
    assert usual_rate(np.array([0.0, 0.0, 0.0, 0.0, 5.0]), made) == pytest.approx(1.0)  # the middle tore off never


def test_counts_in_clusters_are_worth_fewer_counts():
    """With a dispersion of 2 the posterior is that of half the counts on half the cans (gamma, by hand)."""
    wide = shrink([40], [1e6], Prior(30.0, 10.0), dispersion=2.0)
    assert wide.rate[0] == pytest.approx(1e6 * (10 + 20) / (10 / 30e-6 + 0.5e6))
    assert wide.rate[0] == pytest.approx(shrink([20], [0.5e6], Prior(30.0, 10.0)).rate[0])
    counts, cans = [20, 60, 30, 80, 24, 44], [1e6] * 6
    halves = fit_prior([10, 30, 15, 40, 12, 22], [0.5e6] * 6)
    assert fit_prior(counts, cans, dispersion=2.0).mean == pytest.approx(halves.mean, rel=1e-6)
    assert fit_prior(counts, cans, dispersion=0.5).shape == pytest.approx(fit_prior(counts, cans).shape)


@pytest.mark.parametrize(
    ("thin", "says"),
    [
        ("nothing", "No cans were counted in this span"),
        ("two", "Only 2 of the machines made cans"),
        ("no tear-offs", "Nothing was counted on any machine"),
        ("no cans", "No cans were counted in this span"),
        ("never refitted", "Nothing is ranked yet"),
    ],
)
def test_thin_data_get_a_sentence(manager, signed_in, thin, says):
    if thin == "two":
        fleet(manager, 2)
    if thin == "no tear-offs":
        fleet(manager, 5, rate=0.0)
    if thin == "no cans":
        count(fleet(manager, 1, days=0)[0], [0] * 5, 0)
    if thin != "never refitted":
        refit(manager)
    client = signed_in(manager)
    assert says in client.get(reverse("trends:ranking")).content.decode()
    assert client.get(reverse("trends:ranking_figures")).json() == {}


def test_machines_all_alike_share_one_rate_and_one_that_never_tore_off_is_told(manager, signed_in):
    line = factories.line(manager.plant)
    for number in range(6):
        count(factories.machine(line, name=f"BM {number}"), [16] * 28, 400_000)
    refit(manager)
    client = signed_in(manager)
    assert {row.says for row in rows(client).values()} == {"no different from the fleet"}
    assert "differ by no more than chance" in client.get(reverse("trends:ranking")).content.decode()
    count(factories.machine(line, name="never"), [0] * 28, 400_000)
    refit(manager)
    assert rows(client)["never"].says == "below the fleet"


def test_the_funnel_has_its_limits_and_its_units(manager, signed_in):
    fleet(manager, 6)
    refit(manager)
    answer = signed_in(manager).get(reverse("trends:ranking_figures"))
    figure = answer.json()[f"funnel-{manager.plant_id}"]
    assert figure["layout"]["xaxis"]["title"]["text"] == "Million cans begun"
    assert figure["layout"]["yaxis"]["title"]["text"] == "Tear-offs per million cans"
    assert [trace["name"] for trace in figure["data"]][:5] == ["95 %", "95 %", "99.8 %", "99.8 %", "Usual rate"]
    assert "NaN" not in json.dumps(figure)


def test_the_funnels_scale_says_what_each_tick_is_and_holds_every_machine(manager, signed_in):
    fleet(manager, 6)
    refit(manager)
    figure = signed_in(manager).get(reverse("trends:ranking_figures")).json()[f"funnel-{manager.plant_id}"]
    axis = figure["layout"]["xaxis"]
    assert 3 <= len(axis["tickvals"]) <= 12
    assert [float(text) for text in axis["ticktext"]] == axis["tickvals"]
    marks = [untyped(trace["x"]) for trace in figure["data"] if trace["name"] == "Machines"]
    low, high = axis["range"]
    assert all(low < at < high for at in np.log10(np.concatenate(marks)))
    named = [note["text"] for note in figure["layout"]["annotations"] if note.get("showarrow")]
    assert named
    assert len(set(named)) == len(named)


def test_another_plant_is_neither_ranked_nor_shown(manager, signed_in):
    fleet(manager, 4)
    refit(manager)
    stranger = factories.person("manager")
    assert signed_in(stranger).get(reverse("trends:ranking")).context["boards"] == []
    assert Fit.objects.filter(kind="ranking").count() == 8
    for bad in ({"measure": "people"}, {"days": "1"}, {"days": "x" * 99}):
        assert signed_in(manager).get(reverse("trends:ranking"), bad).status_code == 422


def test_the_page_asks_as_often_for_many_machines_as_for_few(manager, signed_in):
    client = signed_in(manager)

    def asked():
        client.get(reverse("trends:ranking"))
        with CaptureQueriesContext(connection) as seen:
            assert client.get(reverse("trends:ranking")).status_code == 200
        return len(seen)

    fleet(manager, 4)
    refit(manager)
    few = asked()
    fleet(manager, 30)
    refit(manager)
    assert asked() == few <= 7
