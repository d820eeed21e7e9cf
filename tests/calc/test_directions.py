import numpy as np
import pytest
from scipy import stats

from linelog.calc.directions import agreement, apart_deg, directions_deg
from linelog.calc.errors import CalcError


def test_mean_direction_and_rayleigh():
    """Zar, Biostatistical Analysis, 5th ed., ex. 26.4 and 27.1: mean 99, r 0.82522, z 5.448, p 0.001 to 0.002."""
    found = agreement([45, 55, 81, 96, 110, 117, 132, 154])
    assert found.mean_deg == pytest.approx(99, abs=0.6)
    assert found.resultant == pytest.approx(0.82522, abs=6e-6)
    assert found.n * found.resultant**2 == pytest.approx(5.448, abs=0.001)
    assert found.deviation_deg == pytest.approx(34, abs=0.6)
    assert 0.001 < found.p < 0.002


def test_rayleigh_of_a_small_sample():
    """The example of astropy's rayleightest: 130, 90, 0 and 145 degrees give 0.256348773379732."""
    assert agreement([130, 90, 0, 145]).p == pytest.approx(0.256348773379732, abs=1e-9)


@pytest.mark.parametrize("n", [3, 5, 8])
def test_rayleigh_is_as_rare_as_it_says(n):
    """Derived: of 4,000 samples of equally likely directions a tenth have p below 0.1 (standard error 0.005)."""
    samples = np.random.default_rng(n).uniform(0, 360, (4_000, n))
    assert np.mean([agreement(sample).p < 0.1 for sample in samples]) == pytest.approx(0.1, abs=0.02)


def test_mean_goes_the_short_way_round_twelve_o_clock():
    found = agreement([350, 10, 20])
    assert found.mean_deg == pytest.approx(stats.circmean([350, 10, 20], high=360))
    assert apart_deg(found.mean_deg, 350) < 20
    assert apart_deg(350, 10) == pytest.approx(20)
    assert apart_deg(0, 180) == 180


def test_turning_all_directions_turns_the_mean_alone():
    before, after = agreement([45, 80, 120, 100]), agreement([45 + 300, 80 + 300, 120 + 300, 100 + 300])
    assert apart_deg(after.mean_deg, before.mean_deg + 300) == pytest.approx(0, abs=1e-9)
    assert (after.resultant, after.p) == pytest.approx((before.resultant, before.p))


def test_directions_that_cancel_have_no_mean():
    found = agreement([0, 90, 180, 270])
    assert found.mean_deg is None
    assert found.resultant == pytest.approx(0, abs=1e-12)
    assert found.p == pytest.approx(1.0)
    assert all(agreement([angle, angle + 180]).mean_deg is None for angle in np.arange(0, 180, 0.5))


def test_one_direction_and_equal_directions_are_finite():
    one = agreement([180])
    assert (one.mean_deg, one.resultant, one.p) == (pytest.approx(180), pytest.approx(1), None)
    many = agreement([37.0] * 9)
    assert many.mean_deg == pytest.approx(37)
    assert many.p == pytest.approx(0, abs=1e-4)
    assert many.deviation_deg == pytest.approx(0, abs=1e-5)


def test_clock_directions_of_offsets():
    found = directions_deg([0, 10, 0, -10, 7], [10, 0, -10, 0, 7])
    assert found == pytest.approx([0, 90, 180, 270, 45])


def test_what_has_no_direction_is_told():
    with pytest.raises(CalcError, match="no direction"):
        directions_deg([0.0], [0.0])
    with pytest.raises(CalcError):
        directions_deg([1.0], [1.0, 2.0])
    with pytest.raises(CalcError):
        agreement([])
    with pytest.raises(CalcError):
        agreement([float("nan"), 3.0])
