"""Crank and ram: position, windows, bins."""

import math
from dataclasses import replace

import numpy as np
import pytest

from linelog.calc.capture.motion import (
    Crank,
    Phase,
    check_crank,
    crank_from_motion,
    forward_angle_deg,
    make_bins,
    ram_position_mm,
)
from linelog.calc.errors import CalcError

CRANK = Crank(600.0, 900.0)


def by_geometry(crank: Crank, angle_deg: float) -> float:
    """Where the rod's far end is: the crank pin's height, and Pythagoras on the rod (independent route; derived)."""
    radius = crank.stroke_mm / 2
    pin = complex(-radius * math.cos(math.radians(angle_deg)), radius * math.sin(math.radians(angle_deg)))
    far = pin.real + math.sqrt(crank.rod_mm**2 - pin.imag**2)
    return far - (crank.rod_mm - radius)


@pytest.mark.parametrize("angle", [0, 1, 37.5, 90, 133, 180, 181, 270, 333, 360])
def test_position_is_that_of_crank_and_rod(angle):
    assert ram_position_mm(CRANK, angle) == pytest.approx(by_geometry(CRANK, angle), abs=1e-9)


def test_position_by_the_series_of_the_handbooks():
    """From full forward: r(1 - cos p) + l(1 - sqrt(1 - (r/l)^2 sin^2 p)), slider-crank kinematics (textbooks)."""
    r, length, p = 300.0, 900.0, math.radians(60.0)
    behind = r * (1 - math.cos(p)) + length * (1 - math.sqrt(1 - (r / length * math.sin(p)) ** 2))
    assert ram_position_mm(CRANK, 240.0) == pytest.approx(600.0 - behind)
    assert ram_position_mm(CRANK, 120.0) == pytest.approx(600.0 - behind)


def test_stroke_ends_and_a_very_long_rod():
    assert ram_position_mm(CRANK, [0.0, 180.0]) == pytest.approx([0.0, 600.0])
    assert ram_position_mm(Crank(600.0, 50_000.0), 90.0) == pytest.approx(300.0, abs=1.0)


def test_angle_is_the_inverse_of_position():
    angles = np.linspace(0.0, 180.0, 61)
    assert forward_angle_deg(CRANK, ram_position_mm(CRANK, angles)) == pytest.approx(angles, abs=1e-5)


def test_bins_tile_the_windows_and_are_even_in_position():
    bins = make_bins(CRANK, 24, 10)
    assert bins.edges_deg[[0, 24, 34, 58]] == pytest.approx([20.0, 170.0, 190.0, 340.0])
    assert (np.diff(bins.edges_deg) > 0).all()
    edges = ram_position_mm(CRANK, bins.edges_deg)
    assert np.diff(edges[:25]) == pytest.approx(np.full(24, np.ptp(edges[:25]) / 24))
    assert bins.of(Phase.DOME) == list(range(24, 34))
    forward, back = bins.of(Phase.FORWARD), bins.of(Phase.RETURN)
    assert bins.position_mm[forward] == pytest.approx(bins.position_mm[back][::-1])


def test_windows_from_the_motion():
    crank = crank_from_motion(600.0, 900.0, 50.0, 4.0)
    ends = [crank.forward_from_deg, crank.dome_from_deg, crank.dome_to_deg, crank.return_to_deg]
    assert ram_position_mm(crank, ends) == pytest.approx([50.0, 596.0, 596.0, 50.0])


@pytest.mark.parametrize(
    ("crank", "field"),
    [
        (Crank(0.0, 900.0), "stroke_mm"),
        (Crank(600.0, 300.0), "rod_mm"),
        (Crank(math.nan, 900.0), "stroke_mm"),
        (replace(CRANK, dome_from_deg=181.0), "dome_from_deg"),
        (replace(CRANK, return_to_deg=100.0), "dome_from_deg"),
        (replace(CRANK, forward_from_deg=math.inf), "forward_from_deg"),
    ],
)
def test_cranks_that_cannot_turn(crank, field):
    with pytest.raises(CalcError) as error:
        check_crank(crank)
    assert error.value.field == field
