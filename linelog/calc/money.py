"""What bad cans and tear-offs cost, at the plant's own rates."""

from dataclasses import dataclass

from linelog.calc.arrays import one_number


@dataclass(frozen=True, slots=True)
class CostRates:
    """A spoiled can, the minutes a tear-off takes to clear, and a minute of the machine, in the plant's currency."""

    can: float
    clear_minutes: float
    minute: float


@dataclass(frozen=True, slots=True)
class Cost:
    """Cost of cans and of time lost, in the plant's currency."""

    cans: float
    time: float

    @property
    def total(self) -> float:
        """Both together."""
        return self.cans + self.time


def cost_of(spoiled: float, tear_offs: float, rates: CostRates) -> Cost:
    """Cost of so many spoiled cans and tear-offs; expected ones need not be whole, none may be negative."""
    cans = one_number(spoiled, "Spoiled cans", "spoiled", above=-1e-9)
    torn = one_number(tear_offs, "Tear-offs", "tear_offs", above=-1e-9)
    for value, field in ((rates.can, "can"), (rates.clear_minutes, "clear_minutes"), (rates.minute, "minute")):
        one_number(value, "The rate", field, above=-1e-9)
    return Cost(cans * rates.can, torn * rates.clear_minutes * rates.minute)
