import numpy as np
import pytest

from linelog.calc.cusum import AfterSignal, cusum
from linelog.calc.errors import CalcError

MONTGOMERY = [9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.2, 10.34, 9.03, 11.47, 10.51, 9.4, 10.08]
MONTGOMERY += [9.37, 10.62, 10.31, 8.52, 10.84, 10.9, 9.33, 12.29, 11.5, 10.6, 11.08, 10.38, 11.62, 11.31, 10.52]


def test_tabular_cusum_that_keeps_adding():
    """Montgomery, example 9.1 and table 9.2: signal at 29 with N+ = 7, shift between 22 and 23, to 11.25."""
    upper = [0, 0, 0, 1.16, 2.82, 2.5, 0.04, 1.0, 0, 0, 0, 0.97, 0.98, 0, 0, 0, 0.12, 0, 0, 0.34, 0.74, 0]
    upper += [1.79, 2.79, 2.89, 3.47, 3.35, 4.47, 5.28, 5.3]
    found = cusum(MONTGOMERY, target=10, sigma=1)
    assert found.upper == pytest.approx(upper, abs=0.006)
    (shift,) = found.shifts
    assert (shift.index + 1, shift.up, found.run_up[28]) == (29, True, 7)
    assert shift.first_index + 1 == 23
    assert shift.new_mean == pytest.approx(11.25, abs=0.006)


def test_tabular_cusum_that_starts_again():
    """Derived from the same data: after the signal at 29 the next sum is max(0, 10.52 - 10.5)."""
    found = cusum(MONTGOMERY, target=10, sigma=1, after=AfterSignal.START_AGAIN)
    assert found.upper[28] == pytest.approx(5.28, abs=0.006)
    assert found.upper[29] == pytest.approx(0.02)
    assert found.run_up[29] == 1


def test_cusum_in_the_unit_of_the_values():
    """NIST/SEMATECH e-Handbook 6.3.2.3: target 325, k 0.3175, h 4.1959 in the data's unit; out from group 14."""
    means = [324.925, 324.675, 324.725, 324.35, 325.35, 325.225, 324.125, 324.525, 325.225, 324.6]
    means += [324.625, 325.15, 328.325, 327.25, 327.825, 328.5, 326.675, 327.775, 326.875, 328.35]
    found = cusum(means, target=325, sigma=1, k=0.3175, h=4.1959)
    assert (np.flatnonzero(found.above | found.below) + 1).tolist() == [14, 15, 16, 17, 18, 19, 20]
    assert [shift.index + 1 for shift in found.shifts] == [14]
    in_sigmas = cusum(means, target=325, sigma=0.635, k=0.5, h=4.1959 / 0.635)
    assert in_sigmas.upper == pytest.approx(found.upper)


def test_downward_shift_mirrors_the_upward_one():
    up = cusum(MONTGOMERY, target=10, sigma=1)
    down = cusum([20 - x for x in MONTGOMERY], target=10, sigma=1)
    assert down.lower == pytest.approx(up.upper)
    assert down.shifts[0].new_mean == pytest.approx(20 - up.shifts[0].new_mean)
    assert not down.shifts[0].up


@pytest.mark.parametrize(("shift", "length"), [(0.0, 465.0), (1.0, 10.4)])
def test_average_run_length_of_the_cusum(shift, length):
    """Montgomery, table 9.3 (from memory): k 0.5, h 5 gives 465 points between false alarms and 10.4 at one sigma."""
    points = np.random.default_rng(20).normal(shift, 1.0, 60_000 if shift else 300_000)
    found = cusum(points, target=0, sigma=1, after=AfterSignal.START_AGAIN)
    assert len(points) / len(found.shifts) == pytest.approx(length, rel=0.1 if shift == 0.0 else 0.03)


@pytest.mark.parametrize(
    ("call", "field"),
    [
        (lambda: cusum([1.0], target=0, sigma=1, h=0), "h"),
        (lambda: cusum([float("nan")], target=0, sigma=1), "values"),
        (lambda: cusum([1.0], target=0, sigma=-1), "sigma"),
        (lambda: cusum([1.0], target=0, sigma=1, k=-0.5), "k"),
    ],
)
def test_bad_input_is_told_beside_its_field(call, field):
    with pytest.raises(CalcError) as told:
        call()
    assert told.value.field == field
