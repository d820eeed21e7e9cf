"""Uncertainty against the worked examples and tables of JCGM 100:2008 and JCGM 101:2008."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from linelog.calc.errors import CalcError
from linelog.calc.uncertainty import (
    Part,
    Shape,
    combine,
    coverage_factor,
    effective_dof,
    half_width_with_bound,
    planar,
    pool_scatter,
    resolution_uncertainty,
    type_b,
)


def test_divisors():
    """JCGM 100:2008, clause 4.3: half width 1, rectangular, triangular and U-shaped (values from memory)."""
    assert type_b(1.0) == pytest.approx(0.5774, abs=6e-5)
    assert type_b(1.0, Shape.TRIANGULAR) == pytest.approx(0.4082, abs=6e-5)
    assert type_b(1.0, Shape.ARCSINE) == pytest.approx(0.7071, abs=6e-5)


def test_resolution_of_an_indicating_device():
    """JCGM 100:2008, F.2.2.1: a step of dx gives u = 0.29 dx."""
    assert resolution_uncertainty(1.0) == pytest.approx(0.29, abs=0.005)


@pytest.mark.parametrize(
    ("level", "dof", "factor"),
    [
        (0.95, 10, 2.23),
        (0.95, 50, 2.01),
        (0.9545, 4, 2.87),
        (0.99, 16, 2.92),  # the one read in print, in H.1; the rest of Table G.2 from memory
        (0.95, 1, 12.71),
        (0.9545, math.inf, 2.00),
    ],
)
def test_student_factors(level, dof, factor):
    """JCGM 100:2008, Table G.2."""
    assert coverage_factor(dof, level) == pytest.approx(factor, abs=0.006)


def test_welch_satterthwaite_of_four_equal_parts():
    """JCGM 100:2008, G.4: four inputs of u = 1 with 10 degrees of freedom each have 40 together."""
    assert effective_dof([1, 1, 1, 1], [10, 10, 10, 10]) == pytest.approx(40, abs=1e-9)
    assert effective_dof([1, 1], [math.inf, math.inf]) == math.inf
    assert effective_dof([0.0], [3]) == math.inf


@pytest.mark.parametrize(
    ("u", "dof", "bound"), [(1.0, math.inf, 1.0), (0.2, 6.0, 1.0), (1.0, 4.0, 0.3), (0.01, 9.0, 2.0)]
)
def test_a_bound_and_scatter_together_hold_what_they_say(u, dof, bound):
    """JCGM 101:2008, clause 7: the half width by propagating the two laws, two million draws of each."""
    rng = np.random.default_rng(11)
    scatter = rng.standard_normal(2_000_000) if dof == math.inf else rng.standard_t(dof, 2_000_000)
    drawn = np.abs(u * scatter + rng.uniform(-bound, bound, 2_000_000))
    assert half_width_with_bound(u, dof, bound) == pytest.approx(np.quantile(drawn, 0.9545), rel=0.005)


def test_rounding_alone_is_held_by_half_a_step():
    """JCGM 100:2008, 4.3.7 and G.2.2.1: of a rectangular law of half width a, 95.45 % lie within 0.9545 a."""
    flat = planar(3.0, 4.0, [Part("rounding", 0.25 / 3.0, 0.25 / 3.0, flat=True)])
    assert pytest.approx(0.47725) == flat.across.U
    assert flat.across.u == pytest.approx(0.5 / math.sqrt(3.0))


def test_end_gauge_calibration():
    """JCGM 100:2008, H.1: u_c = 32 nm, nu_eff = 16.7, U99 = 93 nm.

    The annex cuts nu_eff to 16 and multiplies the rounded 32 nm; both steps are repeated here.
    """
    length, alpha = 50_000_623.0, 11.5e-6
    u_d, dof_d = combine([5.8, 3.9, 6.7]), effective_dof([5.8, 3.9, 6.7], [24, 5, 8])
    assert u_d == pytest.approx(9.7, abs=0.05)
    assert dof_d == pytest.approx(25.6, abs=0.2)
    by_expansion = length * 0.1 * type_b(1e-6)
    by_temperature = length * alpha * type_b(0.05)
    assert by_expansion == pytest.approx(2.9, abs=0.05)
    assert by_temperature == pytest.approx(16.6, abs=0.06)
    parts = [25.0, u_d, by_expansion, by_temperature]
    dof = effective_dof(parts, [18, dof_d, 50, 2])
    assert combine(parts) == pytest.approx(32, abs=0.5)
    assert dof == pytest.approx(16.7, abs=0.1)
    assert round(combine(parts)) * coverage_factor(math.floor(dof), 0.99) == pytest.approx(93, abs=0.6)


def test_four_rectangular_inputs():
    """JCGM 101:2008, 9.2.3: u = 2.0, and 3.92 for the 95 % half width by the law of propagation."""
    u = combine([type_b(math.sqrt(3.0))] * 4)
    assert u == pytest.approx(2.0, abs=0.005)
    assert u * coverage_factor(math.inf, 0.95) == pytest.approx(3.92, abs=0.005)


def test_size_of_a_correlated_pair():
    """JCGM 100:2008, H.2: |Z| = 254.260, u = 0.236 from R, X and their correlation (-0.588, from memory)."""
    u_r, u_x, correlation = 0.071, 0.295, -0.588
    pair = planar(127.732, 219.847, [Part("observations", u_r**2, u_x**2, correlation * u_r * u_x)])
    assert pair.size == pytest.approx(254.260, abs=0.001)
    assert pair.radial.u == pytest.approx(0.236, abs=0.001)


def test_a_pair_points_by_the_clock():
    assert planar(1.0, 0.0, [Part("", 0, 0)]).direction_deg == 90.0
    assert planar(0.0, -1.0, [Part("", 0, 0)]).direction_deg == 180.0
    assert planar(-1.0, 1.0, [Part("", 0, 0)]).direction_deg == pytest.approx(315.0)
    assert planar(0.0, 0.0, [Part("", 1, 1)]).direction_deg is None


variances = st.floats(0, 1e4)
shares = st.floats(-1, 1)


@given(variances, variances, shares)
def test_a_pair_within_its_uncertainty_takes_the_worst_direction(var_x, var_y, correlation):
    cov = correlation * math.sqrt(var_x * var_y)
    pair = planar(0.0, 0.0, [Part("one", var_x / 2, var_y / 2, cov / 2), Part("two", var_x / 2, var_y / 2, cov / 2)])
    largest = np.linalg.eigvalsh([[var_x, cov], [cov, var_y]])[1]
    assert pair.radial.u == pytest.approx(math.sqrt(max(largest, 0.0)), rel=1e-6, abs=1e-9)
    assert not pair.direction_clear


def test_a_clear_direction_takes_its_own_uncertainty():
    wide_up = [Part("sag", 0.0, 25.0), Part("readings", 1.0, 1.0, 0.0, 8.0)]
    across, up = planar(60.0, 0.0, wide_up), planar(0.0, 60.0, wide_up)
    assert across.radial == across.across
    assert across.radial.u == pytest.approx(1.0)
    assert across.radial.k == pytest.approx(stats.t.ppf(0.97725, 8))
    assert up.radial == up.up
    within = planar(9.0, 0.0, wide_up)  # its size is within the 10 um that it may be off upward
    assert within.radial == within.up
    assert not within.direction_clear
    assert up.radial.u == pytest.approx(math.sqrt(26.0))


def test_one_degree_of_freedom_does_not_blow_up_the_interval():
    """Six positions leave one degree of freedom; its own Student factor would be 14."""
    scatter = pool_scatter(10.0, 1, 2.0, 8)
    assert scatter.sd == 10.0
    assert coverage_factor(scatter.dof) < 2.4


def test_the_usual_scatter_is_pooled_by_degrees_of_freedom():
    pooled = pool_scatter(3.0, 3, 2.0, 8)
    assert pooled.sd == pytest.approx(math.sqrt((3 * 9 + 8 * 4) / 11))
    assert pooled.dof == 11
    assert pooled.chance == pytest.approx(stats.f.sf(9 / 4, 3, 8))
    assert pool_scatter(0.0, 0, 2.0, 8).sd == 2.0


def test_a_scatter_beyond_the_usual_is_not_diluted():
    alone = pool_scatter(12.0, 3, 2.0, 8)
    assert (alone.sd, alone.dof) == (12.0, 11.0)
    assert alone.chance < 0.001


def test_nonsense_is_refused():
    with pytest.raises(CalcError):
        type_b(-1.0)
    with pytest.raises(CalcError):
        type_b(math.nan)
    with pytest.raises(CalcError):
        coverage_factor(0.0)
    with pytest.raises(CalcError):
        planar(math.inf, 0.0, [])
