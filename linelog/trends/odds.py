"""The odds of whose a found can is, as a page shows them."""

from __future__ import annotations

from dataclasses import dataclass

from linelog.trends import words
from linelog.trends.bearing import Bearing


@dataclass(frozen=True, slots=True)
class CandidateOdds:
    """A mark on a machine with its chance, and what that rests on.

    fits      as typed, on the day made; None where no mark was typed
    like, like_of_all  findings of the defect that were this machine's, of those of all whose machine is known
    days_off           between the day made and the days of the mark; 0 where it was in use
    """

    bearing: Bearing
    fits: bool | None
    chance: float
    like: int
    like_of_all: int
    cans: float | None
    stood: bool
    days_off: int
    fit_days: int

    @property
    def percent(self) -> str:
        """The chance in words."""
        if self.chance < 0.01:
            return "under 1 %"
        return "over 99 %" if self.chance > 0.99 else f"{100.0 * self.chance:.0f} %"

    @property
    def share(self) -> str:
        """Its share of the like findings."""
        if not self.like_of_all:
            return "none known"
        return f"{self.like} of {self.like_of_all} ({100.0 * self.like / self.like_of_all:.0f} %)"

    @property
    def cans_words(self) -> str:
        """What it made that day, in millions."""
        if self.stood:
            return "none"
        return "not counted" if self.cans is None else f"{self.cans / 1e6:.2f}"

    @property
    def mark_words(self) -> str:
        """How its mark fits what was typed, and since when it stood there."""
        if self.days_off:
            return f"{self.bearing.days}: {words.plural(self.days_off, 'day')} off"
        how = {None: "", True: "as typed, ", False: "if misread, "}[self.fits]
        return f"{how}{words.plural(self.fit_days, 'day')} on it"


@dataclass(frozen=True, slots=True)
class Likely:
    """Who is offered, the chance of all others together, and what the odds rest on, in sentences."""

    offered: tuple[CandidateOdds, ...]
    others: float
    rests_on: tuple[str, ...]
    thin: str

    @property
    def others_percent(self) -> str:
        """The chance of all others in words."""
        return "under 1 %" if self.others < 0.01 else f"{100.0 * self.others:.0f} %"

    @property
    def sentence(self) -> str:
        """The odds in one sentence, for paper."""
        each = [f"{one.bearing.machine}, mark {one.bearing.mark} {one.percent}" for one in self.offered]
        return f"Odds: {'; '.join(each)}; others together {self.others_percent}."
