"""What of a plant a result is of: which rate, which station, which span, which tooling set."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from linelog.trends.choice import Span

WORST, TOOLS = "worst", "tools"
#: Stations taken together, by the worst of them: the two in which the can is drawn and its dome is pressed.
GROUP_NAMES = {TOOLS: "Tool pack and domer, the worse one"}
GROUPS = {TOOLS: ("tool_pack", "domer")}
TEAR_OFFS, SPOILED, CAUSE = "tear_offs", "spoiled", "cause:"
SPANS = (Span.MONTHS_12, Span.MONTHS_24, Span.ALL)
USUAL_SPAN = Span.MONTHS_24
DAYS = {Span.MONTHS_12: 365, Span.MONTHS_24: 730}
#: Months that make one period of the regression: the longer the span, the coarser, so that it stays quick.
MONTHS_A_PERIOD = {Span.MONTHS_12: 1, Span.MONTHS_24: 1, Span.ALL: 3}


@dataclass(frozen=True, slots=True)
class Scope:
    """A question. `measure`: tear_offs, spoiled, cause:CODE; `station`: worst, a group, a kind; `tooling`: a set."""

    measure: str = TEAR_OFFS
    station: str = WORST
    span: Span = USUAL_SPAN
    tooling: int | None = None

    @property
    def key(self) -> str:
        """The scope as it is stored."""
        return f"{self.measure}/{self.station}/{self.span.value}"

    @property
    def cause(self) -> str | None:
        """The cause code asked for, None for a rate of its own."""
        return self.measure.removeprefix(CAUSE) if self.measure.startswith(CAUSE) else None

    def since(self, until: dt.date) -> dt.date | None:
        """Return the first day of the span that ends on `until`, None where it has none."""
        return until - dt.timedelta(days=DAYS[self.span] - 1) if self.span in DAYS else None

    @property
    def noun(self) -> str:
        """What is counted, in the plural."""
        if self.cause is not None:
            return f"cans spoiled under {self.cause}"
        return "tear-offs" if self.measure == TEAR_OFFS else "spoiled cans"
