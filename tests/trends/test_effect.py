"""The effect to reckon with: the fleet's own where it is shown, else the plant's assumption; and which is said."""

import pytest

from linelog.trends.evidence.leading import ALGORITHM
from linelog.trends.models import Fit
from linelog.trends.state.effect import effects_of
from tests import factories

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("no_ram")]


def fit(plant, scope, **effect):
    Fit.objects.create(
        plant=plant,
        kind="misalignment",
        scope=scope,
        made_at=factories.NOW,
        result={"algorithm": ALGORITHM, "effect": effect or None},
    )


def test_nothing_measured_takes_the_setting_and_says_so():
    found = effects_of(factories.plant(assumed_rise_percent=45.0))
    assert (found.spoilage, found.tear_offs) == (1.45, 1.45)
    assert "spoiled cans and tear-offs is not known" in found.words
    assert "an assumption, a setting of the plant: 45 % more" in found.words
    assert not found.shown


def test_what_is_shown_is_taken_with_its_interval_and_nothing_for_the_other_count():
    plant = factories.plant()
    fit(plant, "tear_offs/worst/24m", ratio=1.6, low=1.4, high=1.8, shown=True)
    fit(factories.plant(), "spoiled/worst/24m", ratio=9.0, low=8.0, high=10.0, shown=True)
    found = effects_of(plant)
    assert (found.spoilage, found.tear_offs) == (1.0, 1.6)
    assert "1.60 times (1.40 to 1.80, 95 %) as many tear-offs" in found.words
    assert "costs in spoiled cans is not known" in found.words
    assert "assumption" not in found.words
    assert found.shown


def test_an_effect_that_chance_explains_is_none_and_the_assumption_is_labelled_as_one():
    plant = factories.plant()
    fit(plant, "tear_offs/worst/24m", ratio=0.9, low=0.7, high=1.2, shown=False)
    fit(plant, "spoiled/worst/24m", ratio=1.1, low=0.9, high=1.3, shown=False)
    found = effects_of(plant)
    assert (found.spoilage, found.tear_offs) == (1.3, 1.3)
    assert found.words.count("show no rise with the offset") == 2
    assert "reckons with an assumption" in found.words
    assert not found.shown


def test_a_fit_without_a_result_counts_as_none():
    plant = factories.plant()
    fit(plant, "tear_offs/worst/24m")
    assert effects_of(plant).tear_offs == 1.3


def test_a_figure_that_the_page_does_not_show_and_one_of_older_sums_are_not_reckoned_with():
    """Of many lines one stands out by chance; an older figure has the error of measurement in it."""
    plant = factories.plant()
    fit(plant, "tear_offs/worst/24m", ratio=1.3, low=1.05, high=1.6, shown=False)
    assert effects_of(plant).tear_offs == 1.0 + plant.assumed_rise_percent / 100.0
    Fit.objects.create(
        plant=plant,
        kind="misalignment",
        scope="spoiled/worst/24m",
        made_at=factories.NOW,
        result={"effect": {"ratio": 2.0, "low": 1.8, "high": 2.2}},
    )
    assert not effects_of(plant).shown


def test_the_group_that_tells_a_rate_most_surely_is_reckoned_with_and_named():
    """Where only tool pack and domer matter, the worst of all mixes in stations that do not."""
    plant = factories.plant()
    fit(plant, "tear_offs/worst/24m", ratio=1.2, low=1.01, high=1.4, shown=True, z=2.4)
    fit(plant, "tear_offs/tools/24m", ratio=1.6, low=1.4, high=1.9, shown=True, z=6.5)
    found = effects_of(plant)
    assert (found.tear_offs, found.tear_offs_of, found.spoilage_of) == (1.6, ("tool_pack", "domer"), ())
    assert "per limit of the worst offset (tool pack and domer, the worse one)" in found.words
