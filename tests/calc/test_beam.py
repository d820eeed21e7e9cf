"""The beam against handbook cases, against finite elements and against plain numerical integration."""

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from linelog.calc.beam import bending_moment, clamped, make_beam, reactions, resting
from linelog.calc.errors import CalcError
from tests.calc import hermite

# A steel tube used by two of the handbook cases, in N and m.
TUBE = 210e9 * math.pi / 64 * (0.11**4 - 0.05**4)


def test_overhanging_beam_on_two_supports_lifts_in_the_middle():
    """Timoshenko, Strength of Materials, Part I, 3rd ed., p. 98: mid-span rise 0.182 in, stress 11 404 psi."""
    beam = make_beam([480], [30e6 * 7892], [0], [(0, 120, -833.333 * 120), (360, 480, -833.333 * 120)])
    rise, _ = resting(beam, [240], [120, 360])
    assert rise[0] == pytest.approx(0.182, abs=0.0006)
    stress = bending_moment(beam, [240.0], [120, 360])[0] * 15 / 7892
    assert abs(stress) == pytest.approx(11404, abs=2)
    assert stress < 0  # the underside is pressed: the ends hang


def test_overhang_under_its_own_weight():
    """Gere & Goodno, Mechanics of Materials, Example 9-9: qa(a+L)(3a^2+aL-L^2)/24EI; number derived."""
    down, _ = resting(make_beam([2.1], [TUBE], [-500.0]), [2.1], [0, 1.2])
    assert -1000 * down[0] == pytest.approx(0.0564127966096273, abs=1e-9)


def test_the_slope_at_the_front_support_under_own_weight():
    """Same example: the printed slope at the support next the overhang, qL(4a^2 - L^2)/24EI."""
    q, span, over = 500.0, 1.2, 0.9
    _, slope = resting(make_beam([span + over], [TUBE], [-q]), [span], [0, span])
    assert -slope[0] == pytest.approx(q * span * (4 * over**2 - span**2) / (24 * TUBE), rel=1e-12)


@pytest.mark.parametrize(("share", "sign"), [(0.40, 1), (0.43, 1), (0.44, -1), (0.60, -1)])
def test_a_short_overhang_rises(share, sign):
    """From the same formula: the end rises while 3a^2 + aL < L^2, which is a < (sqrt(13) - 1)/6 L = 0.434 L."""
    end, _ = resting(make_beam([1 + share], [1.0], [-1.0]), [1 + share], [0, 1])
    assert math.copysign(1, end[0]) == sign


def test_overhang_with_a_load_at_its_end():
    """AISC Manual table 3-23 case 26, Shigley table A-9-10: Fa^2(L+a)/3EI, rise FaL^2/(9 sqrt3 EI) at L/sqrt3."""
    beam = make_beam([2.1], [TUBE], [0.0], [(2.1, 2.1, -900)])
    height, _ = resting(beam, [2.1, 1.2 / math.sqrt(3)], [0, 1.2])
    assert -1000 * height[0] == pytest.approx(0.353193161382014, abs=1e-7)
    assert 1000 * height[1] == pytest.approx(0.0517882328380548, abs=1e-7)
    assert reactions(beam, [0, 1.2]) == pytest.approx([-675.0, 1575.0])


def test_bearing_slopes_of_a_shaft():
    """Shigley's Mechanical Engineering Design, problem 7-8, solutions manual: 0.0002823 and 0.0004342 rad."""
    stiff = 30e6 * math.pi / 64 * 1.875**4
    _, slope = resting(make_beam([11], [stiff], [0], [(9, 9, -1449)]), [0, 11], [0, 11])
    assert np.abs(slope) == pytest.approx([0.0002823, 0.0004342], abs=6e-8)


def test_stepped_cantilever():
    """The composite-beam case of SymPy's continuum-mechanics tests: 80/EI and 120/EI, 302.22/EI (they print 302)."""
    height, slope = clamped(make_beam([2, 2], [1.5, 1.0], [0, 0], [(4, 4, 20)]), [2, 4])
    assert slope == pytest.approx([80.0, 120.0], abs=1e-5)
    assert height[1] == pytest.approx(302.222222222222, abs=1e-5)


def test_hollow_cantilever():
    """Machinery's Handbook, beam deflection case 10, hollow shaft: W L^3 / 8EI; the number is derived from it."""
    stiff = 29e6 * math.pi / 64 * (4**4 - 3**4)
    height, _ = clamped(make_beam([40], [stiff], [-120 / 40]), [40])
    assert -height[0] == pytest.approx(0.00385358806051864, abs=1e-10)


def _bar(spacing, places):
    beam = make_beam([1.0], [1.0], [-1.0])
    return resting(beam, places, [(1 - spacing) / 2, (1 + spacing) / 2])


def test_the_support_points_of_metrology():
    """Airy points L/sqrt3 (level ends); 0.554 L (ends as low as the middle) and 0.523 L (no sag) are from memory."""
    level_ends = brentq(lambda s: _bar(s, [0.0])[1][0], 0.5, 0.7)
    ends_as_middle = brentq(lambda s: np.diff(_bar(s, [0.0, 0.5])[0])[0], 0.5, 0.7)
    no_sag = brentq(lambda s: _bar(s, [0.5])[0][0], 0.5, 0.7)
    assert level_ends == pytest.approx(1 / math.sqrt(3), abs=2e-5)
    assert ends_as_middle == pytest.approx(0.554, abs=6e-4)
    assert no_sag == pytest.approx(0.523, abs=6e-4)


def _random_beam(rng):
    pieces = rng.integers(1, 6)
    lengths, rigidity, weight = rng.uniform(0.05, 1, pieces), rng.uniform(0.5, 5, pieces), -rng.uniform(0, 2, pieces)
    total = lengths.sum()
    loads = []
    for _ in range(rng.integers(0, 4)):
        start, stop = np.sort(rng.uniform(0, total, 2))
        loads.append((start, start if rng.random() < 0.4 else stop, -rng.uniform(0.1, 3)))
    return lengths, rigidity, weight, loads, np.sort(rng.uniform(0, total, 2))


@pytest.mark.parametrize("seed", range(25))
def test_same_as_finite_elements(seed):
    lengths, rigidity, weight, loads, supports = _random_beam(np.random.default_rng(seed))
    edges = np.concatenate([[0], np.cumsum(lengths)])
    fixed = {(supports[0], 0): 0.0, (supports[1], 0): 0.0}
    nodes, height, slope, push = hermite.solve(edges, rigidity, weight, loads, fixed)
    beam = make_beam(lengths, rigidity, weight, loads)
    ours, turned = resting(beam, nodes, supports)
    size = np.abs(height).max()
    assert ours == pytest.approx(height, abs=1e-7 * size)
    assert turned == pytest.approx(slope, abs=1e-7 * np.abs(slope).max())
    assert reactions(beam, supports) == pytest.approx(push, abs=1e-6)


def test_same_as_plain_integration_of_macaulay_moments():
    """Maxwell-Mohr: the integral of M(u) m(u)/EI by adaptive quadrature, m the moment of a unit load looked at."""
    rear, front, lengths, stiff, weight = 0.1, 0.9, [0.5, 0.8, 0.6], [3.0, 2.0, 1.0], [-2.0, -1.5, -1.0]
    parts = [(0.0, 0.5, -2.0), (0.5, 1.3, -1.5), (1.3, 1.9, -1.0), (1.2, 1.6, -3.0 / 0.4)]  # load per length
    beam = make_beam(lengths, stiff, weight, [(1.2, 1.6, -3.0), (1.9, 1.9, -2.0)])

    def moment(u, points):  # spread parts and point loads in front of u, Macaulay brackets
        spread = sum(w * (max(b - u, 0) ** 2 - max(a - u, 0) ** 2) / 2 for a, b, w in parts)
        return spread + sum(f * max(at - u, 0) for at, f in points)

    total = sum(w * (b - a) for a, b, w in parts) - 2.0
    about_rear = sum(w * (b - a) * ((a + b) / 2 - rear) for a, b, w in parts) - 2.0 * (1.9 - rear)
    at_front = -about_rear / (front - rear)
    real = [(1.9, -2.0), (front, at_front), (rear, -total - at_front)]

    def virtual(u, s):
        share = (s - rear) / (front - rear)
        return max(s - u, 0) - share * max(front - u, 0) - (1 - share) * max(rear - u, 0)

    def bend(u, s):
        return moment(u, real) * virtual(u, s) / stiff[0 if u < 0.5 else 1 if u < 1.3 else 2]

    for s in (0.03, 0.4, 0.77, 1.45, 1.9):
        cuts = sorted({0.0, 0.5, 1.2, 1.3, 1.6, 1.9, rear, front, s})
        expected = sum(quad(bend, a, b, args=(s,))[0] for a, b in pairwise(cuts))
        assert resting(beam, [s], [rear, front])[0][0] == pytest.approx(expected, abs=1e-9)


def test_beyond_its_ends_the_beam_goes_on_straight():
    beam = make_beam([1.0], [1.0], [-1.0])
    height, slope = resting(beam, [-0.2, 0.0, 1.0, 1.5], [0.2, 0.7])
    assert slope[0] == slope[1]
    assert slope[3] == slope[2]
    assert height[3] == pytest.approx(height[2] + 0.5 * slope[2])
    assert height[0] == pytest.approx(height[1] - 0.2 * slope[1])


def test_a_hair_thin_section_does_no_harm():
    """A step of a ten-thousandth of a millimetre, as two drawings in inch and mm leave it, must not spoil the sum."""
    plain, _ = resting(make_beam([1900], [1e11], [-0.1]), [1900], [100, 900])
    thin, _ = resting(make_beam([700, 1e-4, 1199.9999], [1e11] * 3, [-0.1] * 3), [1900], [100, 900])
    assert thin[0] == pytest.approx(plain[0], rel=1e-9)


@pytest.mark.parametrize("supports", [[0.5, 0.5], [0.7, 0.2], [-0.1, 0.5], [0.5, 1.1]])
def test_supports_that_hold_no_beam(supports):
    with pytest.raises(CalcError):
        reactions(make_beam([1.0], [1.0], [-1.0]), supports)


@pytest.mark.parametrize(
    ("lengths", "rigidity", "loads"),
    [
        ([], [], ()),
        ([0.0], [1.0], ()),
        ([1.0], [0.0], ()),
        ([1.0], [1.0], [(0.5, 1.2, 1)]),
        ([1.0], [1.0], [(0.5, 0.2, 1)]),
    ],
)
def test_what_makes_no_beam(lengths, rigidity, loads):
    with pytest.raises(CalcError):
        make_beam(lengths, rigidity, [-1.0] * len(lengths), loads)
