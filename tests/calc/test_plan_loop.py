"""A small part of `tests.bench.bench_plan`: half a year of two plants, worked by the planner and by simple rules."""

import copy

import pytest

from tests.bench.bench_plan import SEED
from tests.bench.looped_plants import APART, JUMPY
from tests.bench.looped_rules import CREW, SIMPLE, Planner, work_a_year

WEEKS = 26


@pytest.mark.parametrize("world", [APART, JUMPY], ids=lambda world: world.name.split(":")[0])
def test_the_planner_loses_less_than_the_simple_rules_in_the_same_hours(world):
    begun = world.plant(SEED)
    done = {
        name: work_a_year(copy.deepcopy(begun), way, WEEKS)
        for name, way in {**SIMPLE, "planner": Planner.of(begun)}.items()
    }
    planner = done.pop("planner")
    assert planner.loss < min(one.loss for one in done.values())
    assert planner.hours < 1.02 * WEEKS * CREW
