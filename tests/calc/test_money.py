import pytest

from linelog.calc.errors import CalcError
from linelog.calc.money import CostRates, cost_of


def test_cans_and_time_by_hand():
    """Derived: 1,000 cans at 0.03 and 20 tear-offs of 6 minutes at 12 a minute."""
    cost = cost_of(1000, 20, CostRates(0.03, 6.0, 12.0))
    assert (cost.cans, cost.time, cost.total) == pytest.approx((30.0, 1440.0, 1470.0))
    assert cost_of(0, 0, CostRates(0.03, 6.0, 12.0)).total == 0.0


@pytest.mark.parametrize("bad", [(-1, 0, 0.03), (0, -1, 0.03), (0, 0, -0.03), (float("nan"), 0, 0.03)])
def test_negative_or_missing_numbers_are_told(bad):
    with pytest.raises(CalcError):
        cost_of(bad[0], bad[1], CostRates(bad[2], 6.0, 12.0))
