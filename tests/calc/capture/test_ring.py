"""The ring of probes: place of the ram by least squares, and set-ups that cannot give it."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linelog.calc.capture.ring import (
    Probe,
    Ring,
    check_ring,
    design_matrix,
    disagreement,
    movements,
    noise_gain,
    place,
    zero_covariance,
)
from linelog.calc.errors import CalcError
from tests.calc.capture.known import ring, with_probe


def placed(of: Ring, raw) -> tuple[float, float]:
    raw = np.asarray(raw, dtype=float)
    where = place(of, raw, np.ones(raw.shape, dtype=bool))
    return float(where.x_um), float(where.y_um)


def test_four_probes_are_the_differences_of_opposite_ones():
    """x = (u3 - u9)/2, y = (u12 - u6)/2: the classic reading of two probe pairs (derived)."""
    u12, u3, u6, u9 = 31.0, 22.5, 11.0, 2.5
    assert placed(ring(0, 90, 180, 270, scale=1.0), [u12, u3, u6, u9]) == pytest.approx(
        ((u3 - u9) / 2, (u12 - u6) / 2)
    )


def test_eight_even_probes_are_the_roundness_estimators():
    """NIST/SEMATECH e-Handbook 2.3.4.4: a = (2/N) sum R cos, b = (2/N) sum R sin; numbers derived by two routes.

    R = 100 + 12 cos(t - 30 deg) + 3 cos 2(t - 20 deg): a = 10.3923048454133 along 12 o'clock, b = 6 along 3 o'clock.
    """
    angles = np.arange(8) * 45.0
    t = np.radians(angles)
    radii = 100 + 12 * np.cos(t - np.radians(30)) + 3 * np.cos(2 * (t - np.radians(20)))
    assert placed(ring(*angles, scale=1.0), radii) == pytest.approx((6.0, 10.3923048454133), abs=1e-9)


@pytest.mark.parametrize("angles", [(0, 90), (0, 120, 240), (0, 90, 180, 270), (10, 75, 200), (0, 72, 144, 216, 288)])
def test_any_angles_give_the_place_back(angles):
    of = ring(*angles)
    design = design_matrix(of)
    unknown = np.array([17.0, -9.0, 40.0])[: design.shape[1]]
    raw = design @ unknown / 100.0
    assert placed(of, raw) == pytest.approx((17.0, -9.0))


@settings(max_examples=50, deadline=None)
@given(
    start=st.floats(0, 359),
    turn=st.floats(0, 359),
    u=st.lists(st.floats(-200, 200), min_size=4, max_size=4),
    growth=st.floats(-500, 500),
    order=st.permutations(range(4)),
)
def test_turning_the_ring_growth_and_order_of_probes(start, turn, u, growth, order):
    """Turned by an angle the place turns by it; a gap common to all and the order of channels change nothing."""
    angles = [start + 85.0 * n for n in range(4)]
    x, y = placed(ring(*angles, scale=1.0), u)
    a = np.radians(turn)
    wanted = (x * np.cos(a) + y * np.sin(a), y * np.cos(a) - x * np.sin(a))
    turned = Ring(tuple(Probe(f"p{n}", (angle + turn) % 360.0, 1.0) for n, angle in enumerate(angles)))
    assert placed(turned, u) == pytest.approx(wanted, abs=1e-7)
    assert placed(ring(*angles, scale=1.0), np.array(u) + growth) == pytest.approx((x, y), abs=1e-7)
    shuffled = ring(*(angles[n] for n in order), scale=1.0)
    assert placed(shuffled, [u[n] for n in order]) == pytest.approx((x, y), abs=1e-7)


def test_scale_offset_target_and_view():
    of = Ring(
        (Probe("a", 0, -50.0, 400.0), Probe("b", 90, 80.0, -20.0)),
        target="carbide punch",
        target_factor=1.1,
    )
    y, x = -50.0 * 1.1 * 7.0 + 400.0, 80.0 * 1.1 * 0.5 - 20.0
    assert movements(of, np.array([7.0, 0.5])) == pytest.approx([y, x])
    assert placed(of, [7.0, 0.5]) == pytest.approx((x, y))
    from_domer = Ring(of.probes, target_factor=1.1, from_domer=True)
    assert placed(from_domer, [7.0, 0.5]) == pytest.approx((-x, y))


def test_a_clipped_probe_is_done_without_where_the_others_suffice():
    of = ring(0, 90, 180, 270, scale=1.0)
    raw = np.array([[5.0, 8.0, -5.0, -8.0]] * 2) + 30.0
    raw[1, 1] = 999.0
    usable = np.array([[True] * 4, [True, False, True, True]])
    where = place(of, raw, usable)
    assert where.x_um == pytest.approx([8.0, 8.0])
    assert where.y_um == pytest.approx([5.0, 5.0])
    lost = place(of, raw, np.array([[True] * 4, [True, False, True, False]]))
    assert np.isnan(lost.x_um[1])


def test_noise_gain_of_known_rings():
    """Two probes at right angles pass noise as it is, four even ones at 1/sqrt 2 of it (least squares; derived)."""
    assert noise_gain(design_matrix(ring(0, 90))) == pytest.approx(1.0)
    assert noise_gain(design_matrix(ring(0, 90, 180, 270))) == pytest.approx(np.sqrt(0.5))
    assert noise_gain(design_matrix(ring(0, 120, 240))) == pytest.approx(np.sqrt(2 / 3))


def test_uncertainty_of_the_zeros_goes_through_the_solution():
    four = ring(0, 90, 180, 270)
    of = with_probe(with_probe(four, 0, zero_u_um=2.0), 2, zero_u_um=2.0)
    assert zero_covariance(of) == pytest.approx(np.diag([0.0, 2.0]))  # u(y)^2 = (2^2 + 2^2)/4


def test_disagreement_shows_a_wrong_scale_and_nothing_else():
    of = ring(0, 90, 180, 270, scale=1.0)
    true = design_matrix(of) @ np.array([10.0, 4.0, 100.0])
    assert disagreement(of, np.array([true])) == pytest.approx(0.0, abs=1e-9)
    true[2] *= 1.2
    assert disagreement(of, np.array([true])) == pytest.approx(0.2 * 96.0 / 2.0)
    assert disagreement(ring(0, 90, 225), np.array([[1.0, 2.0, 3.0]])) is None


@pytest.mark.parametrize(
    ("of", "field", "says"),
    [
        (ring(0), "probes", "2 to 16"),
        (ring(0, 180), "probes", "one line"),
        (ring(45, 225, 45.5), "probes", "one line"),
        (ring(0, 90, 90.5, common_gap=True), "common_gap", "growth"),
        (Ring((Probe("a", 0, 1.0), Probe("a", 90, 1.0))), "probes", "same column"),
        (Ring((Probe("a", 0, 0.0), Probe("b", 90, 1.0))), "scale_um_per_unit", "zero"),
        (Ring((Probe("a", 0, float("nan")), Probe("b", 90, 1.0))), "scale_um_per_unit", "number"),
        (Ring((Probe("a", 0, 1.0, low=5.0, high=-5.0), Probe("b", 90, 1.0))), "low", "low end"),
        (Ring((Probe(" ", 0, 1.0), Probe("b", 90, 1.0))), "probes", "name"),
        (ring(0, 90, target_factor=0.0), "target_factor", "more than 0"),
    ],
)
def test_rings_that_cannot_work_are_told_in_a_sentence(of, field, says):
    with pytest.raises(CalcError, match=says) as error:
        check_ring(of)
    assert error.value.field == field


def test_a_ring_that_is_too_close_for_the_gap_works_without_it():
    check_ring(ring(0, 90, 90.5, common_gap=False))
