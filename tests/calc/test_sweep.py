"""The rim sweep against published examples, exact geometry, and what must hold for any readings."""

import dataclasses
import math
from enum import Enum

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linelog.calc.errors import CalcError
from linelog.calc.sweep import (
    Carrier,
    Surface,
    Sweep,
    SweepSetup,
    View,
    check_sweep,
    droop_from_sag,
    reduce_sweep,
    sag_from_droop,
    sag_readings,
)
from tests.calc.dial_geometry import rim_reading, rim_sweep

MIL_UM = 25.4  # a thousandth of an inch
QUARTERS = (0.0, 90.0, 180.0, 270.0)
BORE = SweepSetup(Surface.BORE)
CASES = [
    (Carrier.RAM, Surface.BORE, -1),
    (Carrier.RAM, Surface.OUTSIDE, +1),
    (Carrier.COMPONENT, Surface.OUTSIDE, -1),
]


def xy(result):
    return np.array([result.offset.x, result.offset.y])


def test_four_readings_of_a_bore():
    """dy = (R6 - R12)/2, dx = (R9 - R3)/2: the trade's four-point rule, common practice, no source."""
    result = reduce_sweep(BORE, [Sweep(QUARTERS, (0.0, 10.0, 26.0, 16.0))])
    assert xy(result) == pytest.approx([3.0, 13.0])
    assert result.offset.direction_deg == pytest.approx(math.degrees(math.atan2(3, 13)))
    assert result.tir_um == pytest.approx(2 * math.hypot(3, 13))
    assert result.quality.raw_tir_um == 26.0


def test_bracket_sag_of_a_published_rim_sweep():
    """Pump Handbook, figure on bar sag: raw 0, 5, 10, 5 mil with a bar that droops 3 mil is 0, 8, 16, 8.

    The figure gives the true droop: a lone bar reads -6 at the bottom, and that 6 is the indicated sag. The vertical
    offset of 8 mil is printed; that there is none across is worked out here.
    """
    raw = MIL_UM * np.array([0.0, 5.0, 10.0, 5.0])
    setup = SweepSetup(Surface.OUTSIDE, sag_indicated_um=sag_from_droop(3 * MIL_UM))
    assert sag_readings(setup, np.array([180.0])) == pytest.approx([-6 * MIL_UM])
    assert raw - sag_readings(setup, np.array(QUARTERS)) == pytest.approx(MIL_UM * np.array([0, 8, 16, 8]))
    result = reduce_sweep(setup, [Sweep(QUARTERS, tuple(raw))])
    assert result.offset.size == pytest.approx(8 * MIL_UM, abs=1e-9)
    assert result.offset.x == pytest.approx(0.0, abs=1e-9)


def test_sag_is_twice_the_droop():
    """Bureau of Reclamation, FIST Vol. 4-1A: the bottom reading is put right by twice the sag, entered positive."""
    assert sag_from_droop(3.0) == 6.0
    assert droop_from_sag(sag_from_droop(3.0)) == 3.0
    setup = SweepSetup(Surface.OUTSIDE, sag_indicated_um=sag_from_droop(3.0))
    assert -sag_readings(setup, np.array([180.0]))[0] == pytest.approx(2 * 3.0)


@pytest.mark.parametrize(("carrier", "surface", "gain"), CASES)
@pytest.mark.parametrize("positions", [3, 4, 6, 8, 12])
def test_exact_geometry_is_recovered_to_second_order(carrier, surface, gain, positions):
    setup = SweepSetup(surface, carrier)
    assert setup.gain == gain
    angles = np.arange(positions) * 360 / positions
    offset, radius = (63.0, -41.0), 30_000.0
    readings = rim_sweep(surface.value, carrier.value, offset, angles, radius)
    left_over = math.hypot(*offset) ** 2 / radius  # d^2/R: 0.2 um
    assert xy(reduce_sweep(setup, [Sweep(angles, readings)])) == pytest.approx(np.array(offset), abs=left_over)


@pytest.mark.parametrize(("carrier", "surface", "_gain"), CASES)
def test_sag_from_first_principles(carrier, surface, _gain):
    """A dial that hangs 9 um low is first read on a stiff mandrel and then swept: the true offset comes out.

    Left in, the same droop shows the component high by 9 um where the ram carries the dial, on either surface, and
    low by 9 um where the component carries it.
    """
    droop, offset = 9.0, (20.0, -30.0)
    mandrel = [rim_reading("outside", (0.0, -droop), angle, (0.0, 0.0), 25_000.0) for angle in (0, 180)]
    seen_at_six = mandrel[1] - mandrel[0]
    assert seen_at_six == pytest.approx(-2 * droop)
    sweep = Sweep(QUARTERS, rim_sweep(surface.value, carrier.value, offset, QUARTERS, droop=droop))
    corrected = reduce_sweep(SweepSetup(surface, carrier, sag_indicated_um=abs(seen_at_six)), [sweep])
    assert xy(corrected) == pytest.approx(np.array(offset), abs=0.05)
    raw = reduce_sweep(SweepSetup(surface, carrier), [sweep])
    assert raw.offset.x == pytest.approx(offset[0], abs=0.05)
    assert raw.offset.y - offset[1] == pytest.approx(droop if carrier is Carrier.RAM else -droop, abs=0.05)


@pytest.mark.parametrize("surface", Surface)
def test_readings_of_sag_alone_are_those_of_a_hanging_dial(surface):
    droop, angles = 9.0, np.arange(0, 360, 30.0)
    hanging = rim_sweep(surface.value, "ram", (0.0, 0.0), angles, droop=droop)
    setup = SweepSetup(surface, sag_indicated_um=2 * droop)
    assert sag_readings(setup, angles) == pytest.approx(hanging - hanging[0], abs=0.01)


def test_a_view_from_the_domer_swaps_three_and_nine():
    seen_from_domer = Sweep(QUARTERS, (0.0, 10.0, 26.0, 16.0))
    result = reduce_sweep(SweepSetup(Surface.BORE, view=View.DOMER), [seen_from_domer])
    assert xy(result) == pytest.approx([-3.0, 13.0])


def test_repeats_are_fitted_together_whatever_the_dial_was_zeroed_at():
    first, second = (0.0, 10.0, 26.0, 16.0), (100.0, 112.0, 130.0, 118.0)
    result = reduce_sweep(BORE, [Sweep(QUARTERS, first), Sweep(QUARTERS, second)])
    assert xy(result) == pytest.approx([3.0, 14.0])
    assert result.quality.repeats == 2
    assert result.quality.residual_dof == 8 - 2 - 3
    alone = reduce_sweep(BORE, [Sweep(QUARTERS, first)])
    assert result.offset.across.u < alone.offset.across.u


def test_the_budget_of_a_four_point_sweep():
    """Variance of (R6 - R12)/2 is half that of a reading; sag adds half its own u, upward only (clause 5.1.2)."""
    setup = SweepSetup(Surface.BORE, resolution_um=10.0, u_sag_um=4.0, u_shaft_um=3.0, usual_sd_um=2.0)
    offset = reduce_sweep(setup, [Sweep(QUARTERS, (0.0, 10.0, 26.0, 16.0))]).offset
    reading = 2.0**2 + 10.0**2 / 12
    assert offset.across.u**2 == pytest.approx(reading / 2 + 9.0)
    assert offset.up.u**2 == pytest.approx(reading / 2 + 9.0 + 4.0)
    assert offset.cov_xy == pytest.approx(0.0, abs=1e-9)
    assert offset.up.k * offset.up.u == offset.up.U
    assert offset.up.dof > 8.0


def test_repeats_do_not_wear_down_the_resolution():
    setup = SweepSetup(Surface.BORE, resolution_um=10.0, usual_sd_um=0.1)
    sweep = Sweep(QUARTERS, (0.0, 10.0, 30.0, 20.0))
    many = reduce_sweep(setup, [sweep] * 20)
    assert many.offset.up.u >= 10.0 / math.sqrt(12) * math.sqrt(2 / 4)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("resolution_um", 0.0),
        ("resolution_um", -1.0),
        ("resolution_um", math.nan),
        ("sag_indicated_um", -6.0),
        ("sag_indicated_um", 1e308),
        ("u_sag_um", -1.0),
        ("u_shaft_um", math.inf),
        ("usual_sd_um", 0.0),
        ("usual_dof", 0.0),
    ],
)
def test_a_setup_that_cannot_be_names_its_field(field, value):
    with pytest.raises(CalcError) as refused:
        SweepSetup(Surface.BORE, **{field: value})
    assert refused.value.field == field


def test_a_dial_on_the_component_cannot_sweep_a_bore():
    with pytest.raises(CalcError, match="touches the outside of the ram") as refused:
        SweepSetup(Surface.BORE, Carrier.COMPONENT)
    assert refused.value.field == "surface"


def test_no_sweep_and_no_span_are_refused():
    with pytest.raises(CalcError, match="no sweep"):
        reduce_sweep(BORE, [])
    with pytest.raises(CalcError, match="too close together"):
        reduce_sweep(BORE, [Sweep((0, 10, 20), (1, 2, 3))])


# --- what must hold for any readings ---------------------------------------------------------------------------

few = settings(max_examples=40)
readings_um = st.floats(-500, 500)
setups = st.builds(
    lambda case, view, plunger: SweepSetup(case[1], case[0], view, plunger),
    st.sampled_from(CASES),
    st.sampled_from(View),
    st.booleans(),
)


@st.composite
def sweeps(draw):
    positions = draw(st.sampled_from([3, 4, 5, 6, 8, 12]))
    readings = draw(st.lists(readings_um, min_size=positions, max_size=positions))
    return Sweep(np.arange(positions) * 360.0 / positions, readings)


@few
@given(setups, sweeps())
def test_turning_the_readings_a_quarter_turns_the_offset(setup, sweep):
    turned = Sweep([(angle + 90) % 360 for angle in sweep.angles_deg], sweep.readings_um)
    x, y = xy(reduce_sweep(setup, [sweep]))
    by_a_quarter = (y, -x) if setup.view is View.CRANK else (-y, x)
    assert xy(reduce_sweep(setup, [turned])) == pytest.approx(by_a_quarter, abs=1e-6)


@few
@given(setups, sweeps(), st.floats(-1000, 1000))
def test_where_the_dial_was_zeroed_changes_nothing(setup, sweep, zero):
    moved = Sweep(sweep.angles_deg, [reading + zero for reading in sweep.readings_um])
    before, after = reduce_sweep(setup, [sweep]), reduce_sweep(setup, [moved])
    assert xy(after) == pytest.approx(xy(before), abs=1e-6)
    assert after.offset.radial.u == pytest.approx(before.offset.radial.u, rel=1e-6)


@few
@given(setups, sweeps())
def test_a_reversed_plunger_negates(setup, sweep):
    other = dataclasses.replace(setup, plunger_reversed=not setup.plunger_reversed)
    assert xy(reduce_sweep(other, [sweep])) == pytest.approx(-xy(reduce_sweep(setup, [sweep])), abs=1e-6)


@few
@given(setups, sweeps())
def test_the_other_view_mirrors_x_alone(setup, sweep):
    other = dataclasses.replace(setup, view=View.DOMER if setup.view is View.CRANK else View.CRANK)
    assert xy(reduce_sweep(other, [sweep])) == pytest.approx(xy(reduce_sweep(setup, [sweep])) * [-1, 1], abs=1e-6)


@few
@given(setups, sweeps(), st.permutations(range(12)))
def test_the_order_of_reading_changes_nothing(setup, sweep, order):
    kept = [at for at in order if at < len(sweep.angles_deg)]
    shuffled = Sweep([sweep.angles_deg[at] for at in kept], [sweep.readings_um[at] for at in kept])
    assert xy(reduce_sweep(setup, [shuffled])) == pytest.approx(xy(reduce_sweep(setup, [sweep])), abs=1e-6)


def numbers_in(thing):
    """Every float in a result, however deep."""
    if isinstance(thing, float):
        yield thing
    elif isinstance(thing, tuple):
        for part in thing:
            yield from numbers_in(part)
    elif dataclasses.is_dataclass(thing) and not isinstance(thing, Enum):
        for field in dataclasses.fields(thing):
            yield from numbers_in(getattr(thing, field.name))


def finite_or_refused(work):
    """The field of the one sentence that refused the numbers, or None where the result is finite throughout."""
    try:
        result = work()
    except CalcError as error:
        refused = error
    else:
        assert all(math.isfinite(number) for number in numbers_in(result))
        return None
    assert refused.message.endswith(".")
    return refused.field


wild = st.floats() | st.floats(-400, 400) | st.sampled_from(QUARTERS)
wild_rows = st.lists(st.tuples(st.lists(st.tuples(wild, wild), max_size=9), st.none() | wild), max_size=3)


@settings(max_examples=150)
@given(wild_rows, st.lists(wild, min_size=6, max_size=6), st.sampled_from(Surface), st.sampled_from(Carrier))
def test_any_numbers_give_finite_results_or_a_sentence(typed, sizes, surface, carrier):
    def work():
        setup = SweepSetup(surface, carrier, View.DOMER, False, *sizes)
        return reduce_sweep(setup, [Sweep([a for a, _ in row], [r for _, r in row], back) for row, back in typed])

    finite_or_refused(work)


sizes_um = st.floats(0, 50_000)
real_rows = st.lists(
    st.lists(
        st.tuples(st.floats(0, 358), st.floats(-50_000, 50_000)),
        min_size=3,
        max_size=9,
        unique_by=lambda pair: pair[0] // 2,
    ),
    min_size=1,
    max_size=3,
)


@settings(max_examples=150)
@given(real_rows, sizes_um, sizes_um, sizes_um, st.floats(0.001, 1000))
def test_any_positions_give_finite_results_or_are_too_close_together(typed, sag, u_sag, u_shaft, usual_sd):
    setup = SweepSetup(Surface.BORE, sag_indicated_um=sag, u_sag_um=u_sag, u_shaft_um=u_shaft, usual_sd_um=usual_sd)

    def work():
        result = reduce_sweep(setup, [Sweep([a for a, _ in row], [r for _, r in row]) for row in typed])
        return result, check_sweep(result)

    assert finite_or_refused(work) in (None, "angles_deg")
