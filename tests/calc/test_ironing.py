"""Ironing: a published process table, constant volume, and what a regrind does."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linelog.calc.errors import CalcError
from linelog.calc.ironing import (
    Cup,
    Regrind,
    Rule,
    Tooling,
    cup_height_mm,
    draw_ratio,
    reground,
    ring_area_mm2,
    schedule,
    what_a_regrind_does,
)

SET = Tooling(65.80, (66.24, 66.12, 66.00), top_punch_mm=65.68)
CUP = Cup(wall_um=275.0, height_mm=55.0, top_wall_mm=18.0)


def test_published_drawing_and_ironing_table():
    """Chinese J. of Mechanical Engineering 2022, doi 10.1186/s10033-022-00681-9, table 8, stages 1 and 2.

    The table's reductions are by ring area; the walls (10.0 and 7.1 mm) are our own arithmetic.
    """
    assert draw_ratio(1129, 470.51) == pytest.approx(2.4, abs=0.006)
    assert draw_ratio(470.51, 332.5) == pytest.approx(1.42, abs=0.006)
    first, redrawn, ironed = ring_area_mm2(490.51, 470.51), ring_area_mm2(352.5, 332.5), ring_area_mm2(346.7, 332.5)
    assert (first, redrawn) == pytest.approx((15095.7, 10760), abs=1)
    assert ironed == pytest.approx(7574.9, abs=0.6)
    made = schedule(Tooling(332.5, (346.7,)), Cup(10_000.0))
    assert 100 * made.mid[0].by_area == pytest.approx(29.6, abs=0.06)
    assert 100 * (1 - ironed / first) == pytest.approx(49.8, abs=0.06)
    assert made.mid[0].wall_out_um == pytest.approx(7100.0, abs=1e-6)
    assert 100 * made.mid[0].by_thickness == pytest.approx(29.0, abs=1e-6)  # not the same thing


def test_height_of_a_drawn_cup():
    """Hosford & Duncan, Scientific American, Sept. 1994: 5.5 in blank, 3.5 in cup: 1.3 in high (from memory)."""
    assert cup_height_mm(5.5 * 25.4, 3.5 * 25.4) / 25.4 == pytest.approx(1.3, abs=0.05)


def test_cup_height_keeps_the_volume():
    """Derived: blank area = bottom area + wall area."""
    height = cup_height_mm(140, 89)
    assert math.pi / 4 * 89**2 + math.pi * 89 * height == pytest.approx(math.pi / 4 * 140**2)


def test_reductions_multiply():
    """Derived: 20, 25 and 30 % off 0.3 mm leave 0.24, 0.18 and 0.126 mm: 58 % in all, 2.381 times the height."""
    punch = 66.0
    made = schedule(Tooling(punch, tuple(punch + 2 * wall for wall in (0.24, 0.18, 0.126))), Cup(300.0, 100.0))
    assert [step.wall_out_um for step in made.mid] == pytest.approx([240, 180, 126], abs=1e-6)
    assert [step.by_thickness for step in made.mid] == pytest.approx([0.2, 0.25, 0.3], abs=1e-9)
    assert made.mid_total == pytest.approx(0.58, abs=1e-9)
    # The thin-wall rule t0/t = 2.38095 leaves out that the ring shrinks: constant volume gives a little more.
    assert made.wall_height_mm == pytest.approx(100 / 0.42 * 66.3 / 66.126, rel=1e-6)
    thin = schedule(Tooling(1999.0, (1999.0 + 2 * 0.126,)), Cup(300.0, 100.0))
    assert thin.wall_height_mm == pytest.approx(238.095238, rel=1e-4)


def test_gaps_and_walls_of_a_set():
    made = schedule(SET, CUP)
    assert [step.gap_um for step in made.mid] == pytest.approx([220, 160, 100])
    assert [step.gap_um for step in made.top] == pytest.approx([280, 220, 160])
    assert made.top[0].wall_out_um == 275.0  # the first die's gap at top wall is wider than the cup's wall
    assert made.top[1].wall_in_um == 275.0
    assert made.top_total == pytest.approx(1 - 160 / 275)
    assert made.warnings == (
        "Ironing die 1 does nothing at top wall: its gap is not smaller than the wall that reaches it.",
    )


def test_metal_in_is_metal_out():
    made = schedule(SET, CUP)
    wall = ring_area_mm2(66.00, 65.80) * (made.wall_height_mm - 18.0) + ring_area_mm2(66.00, 65.68) * 18.0
    assert wall == pytest.approx(55.0 * ring_area_mm2(65.80 + 0.55, 65.80))


def test_warnings_say_which_basis():
    tight = schedule(replace(SET, top_punch_mm=None), CUP, Rule((0.19, 0.28, 0.374)))
    assert tight.warnings == (
        "Ironing die 1 takes 20.0% by thickness at mid wall; the limit is 19.0%.",
        "Ironing die 3 takes 37.5% by thickness at mid wall; the limit is 37.4%.",
    )
    area = schedule(replace(SET, top_punch_mm=None), CUP, Rule((0.2, 0.28, 0.375), by="area"))
    assert area.warnings == (
        "Ironing die 1 takes 20.1% by ring area at mid wall; the limit is 20.0%.",
        "Ironing die 3 takes 37.6% by ring area at mid wall; the limit is 37.5%.",
    )
    assert schedule(replace(SET, top_punch_mm=None), CUP, Rule((0.2, 0.28, 0.375), by="thickness")).warnings == ()


def test_a_reground_last_die_makes_a_thicker_shorter_wall():
    change = what_a_regrind_does(SET, Regrind(0.0, (0.0, 0.0, 0.02)), CUP)
    assert change.mid_wall_um == pytest.approx(10.0)
    assert change.top_wall_um == pytest.approx(10.0)
    assert change.wall_height_mm < 0
    assert change.after.mid[2].by_thickness < change.before.mid[2].by_thickness


def test_a_reground_punch_opens_every_gap():
    change = what_a_regrind_does(SET, Regrind(0.02, (0.0, 0.0, 0.0)), CUP)
    opened = [a.gap_um - b.gap_um for a, b in zip(change.after.mid, change.before.mid, strict=True)]
    assert opened == pytest.approx([10, 10, 10])
    assert change.mid_wall_um == pytest.approx(10.0)


def test_a_reground_first_die_gives_its_work_to_the_second():
    change = what_a_regrind_does(SET, Regrind(0.0, (0.03, 0.0, 0.0)), CUP)
    assert change.mid_wall_um == 0.0
    assert change.after.mid[1].by_thickness > change.before.mid[1].by_thickness
    assert reground(SET, Regrind(0.0, (0.03, 0.0, 0.0))).bores_mm[0] == pytest.approx(66.27)


@given(
    st.floats(20, 100),
    st.lists(st.floats(0.05, 0.45), min_size=1, max_size=4),
    st.floats(100, 500),
    st.floats(20, 90),
)
def test_whatever_the_set_reductions_multiply_and_metal_stays(punch, gaps, wall, height):
    made = schedule(Tooling(punch, tuple(punch + 2 * gap for gap in gaps)), Cup(wall, height))
    assert math.prod(1 - s.by_thickness for s in made.mid) == pytest.approx(1 - made.mid_total)
    by_area = math.prod(1 - s.by_area for s in made.mid)
    assert made.wall_height_mm == pytest.approx(height / by_area)
    assert all(s.by_area >= s.by_thickness - 1e-12 for s in made.mid)


@pytest.mark.parametrize(
    ("tooling", "cup", "rule", "field"),
    [
        (Tooling(65.8, ()), CUP, None, "bores_mm"),
        (Tooling(65.8, (65.8,)), CUP, None, "bores_mm"),
        (Tooling(65.8, (66.2, 65.0)), CUP, None, "bores_mm"),
        (Tooling(0.0, (66.2,)), CUP, None, "punch_mm"),
        (Tooling(math.nan, (66.2,)), CUP, None, "punch_mm"),
        (Tooling(65.8, (1e308,)), CUP, None, "bores_mm"),
        (Tooling(65.8, (66.2,), 65.9), CUP, None, "top_punch_mm"),
        (Tooling(65.8, (66.2,)), Cup(0.0), None, "wall_um"),
        (Tooling(65.8, (66.2,)), Cup(275.0, -1.0), None, "height_mm"),
        (SET, Cup(275.0, 5.0, 100.0), None, "top_wall_mm"),
        (SET, CUP, Rule((0.2,)), "limits"),
        (SET, CUP, Rule((0.2, 0.0, 0.4)), "limits"),
        (SET, CUP, Rule((0.2, 0.2, 1.4)), "limits"),
    ],
)
def test_bad_sets(tooling, cup, rule, field):
    with pytest.raises(CalcError) as caught:
        schedule(tooling, cup, rule)
    assert caught.value.field == field


@pytest.mark.parametrize("regrind", [Regrind(-0.01, (0, 0, 0)), Regrind(0, (0, 0)), Regrind(0, (0, 0, math.inf))])
def test_bad_regrinds(regrind):
    with pytest.raises(CalcError):
        reground(SET, regrind)


def test_bad_blanks_and_rings():
    for call in (lambda: cup_height_mm(80, 80), lambda: ring_area_mm2(5, 5), lambda: draw_ratio(5, 0)):
        with pytest.raises(CalcError):
            call()
