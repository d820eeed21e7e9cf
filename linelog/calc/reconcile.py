"""Static and running, reconciled: what a station's static offset will be when the machine runs.

For one machine and station, pairs of (static as-left, next running result) with no move between them give
d = running - static. What d is at a moment is what the station does when the machine runs (its level, its trend, its
steps: differences.py); a next static offset is expected to run at static + d, within the prediction interval for one
further value (Hahn & Meeker, Statistical Intervals, 2nd ed., ch. 4). With fewer than 3 pairs the beam alone is asked:
it hangs the ram by its droop, so d is (0, deflection), the deflection being negative down (see droop.py).

Offsets and differences in um, (x right, y up), component less ram line; static and running are never mixed otherwise.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import Enum

import numpy as np

from linelog.calc.differences import FEWEST, LEVEL, Courses, Step, follow
from linelog.calc.errors import CalcError
from linelog.calc.require import Floats, number, numbers
from linelog.calc.uncertainty import Part, Planar, coverage_factor, planar

FEWEST_PAIRS = FEWEST
DAY_S = 86400.0
_OUTSIDE_UM = 50_000.0


@dataclass(frozen=True, slots=True)
class Measured:
    """An offset (x, y) of the station and when it was measured."""

    when: datetime
    x_um: float
    y_um: float


@dataclass(frozen=True, slots=True)
class Pair:
    """A static as-left and the running result that followed it with no move between."""

    static: Measured
    running: Measured

    @property
    def difference_um(self) -> tuple[float, float]:
        """Return running less static, (x, y)."""
        return self.running.x_um - self.static.x_um, self.running.y_um - self.static.y_um


@dataclass(frozen=True, slots=True)
class BeamModel:
    """The ram's deflection at the station, up positive (hanging: negative), and its standard uncertainty, um."""

    deflection_um: float
    u_um: float


@dataclass(frozen=True, slots=True)
class Learned:
    """What n pairs teach of the difference (x, y) at a moment.

    The true difference lies within `mean_within_um` of `mean_um`, the next single one within `next_within_um`, both
    at 95 %. `courses` are the fits with their trends; `used` is how many pairs there are since the newest step, and
    `step_on` when the first of those was (or of the pair that may be one).
    """

    pairs: int
    mean_um: tuple[float, float]
    sd_um: tuple[float, float]
    mean_within_um: tuple[float, float]
    next_within_um: tuple[float, float]
    dof: float
    courses: Courses
    used: int
    step_on: datetime | None

    @property
    def step(self) -> Step:
        """Whether the differences have jumped."""
        return self.courses.step

    @property
    def moves(self) -> bool:
        """Whether a trend of the newest stretch is proven, across or up."""
        return self.courses.across.moves or self.courses.up.moves


@dataclass(frozen=True, slots=True)
class Shift:
    """From a static to the expected running value, um; `sentence` says what it rests on.

    `replaces`: the part stands for the whole budget, since the differences already hold the scatter of static
    readings; else it joins that of the static value (JCGM 100:2008).
    """

    dx_um: float
    dy_um: float
    part: Part
    replaces: bool
    sentence: str

    def applied(self, value: Planar) -> Planar:
        """Return the value expected when running."""
        kept = [part for part in value.budget if part.linear or not self.replaces]
        budget = (*kept, self.part)
        return planar(value.x + self.dx_um, value.y + self.dy_um, budget)

    @property
    def target(self) -> Planar:
        """Return where to leave the station statically so that it runs true: the opposite of what running does."""
        return planar(-self.dx_um, -self.dy_um, (self.part,))


class Agreement(Enum):
    """Whether what the beam says and what the pairs show can both be true."""

    AGREE = "agree"
    DISAGREE = "disagree"
    NOT_KNOWN = "not known"


@dataclass(frozen=True, slots=True)
class Check:
    """Beam against experience, (x, y): learned mean less beam, and how far apart the two may be; None if not known.

    `newest_odd`: the last pair lies outside the prediction interval of those before it: something has changed since.
    """

    agreement: Agreement
    apart_um: tuple[float, float] | None
    allowed_um: tuple[float, float] | None
    newest_odd: bool
    sentence: str


def find_pairs(
    static: Sequence[Measured], running: Sequence[Measured], moves: Sequence[datetime]
) -> tuple[Pair, ...]:
    """Return the pairs of one station: each static as-left with the first running result after it.

    moves: when the station, or anything that shifts the ram line, was moved. No pair spans a move or a newer static
    as-left; what carries the time of the static itself came before it. Order does not matter. Raises CalcError where
    times with and without a zone are mixed.
    """
    times = [m.when for m in (*static, *running)] + list(moves)
    if len({when.tzinfo is None for when in times}) > 1:
        raise CalcError("Times with and without a time zone cannot be compared.", field="when")
    ordered = sorted(static, key=lambda m: m.when)
    later = sorted(running, key=lambda m: m.when)
    pairs = []
    for place, left in enumerate(ordered):
        following = next((run for run in later if run.when >= left.when), None)
        if following is None:
            break
        ends = [*moves, *(other.when for other in ordered[place + 1 :])]
        if not any(left.when < end < following.when for end in ends):
            pairs.append(Pair(left, following))
    return tuple(pairs)


def learn(pairs: Sequence[Pair], *, at: datetime | None = None, floor_um: float = 0.0) -> Learned | None:
    """Return what the pairs teach of the difference at a moment, or None with fewer than 3.

    at        the moment; None: when the next pair is to be expected, as long after the newest as pairs are apart
    floor_um  standard uncertainty of one difference that is known from the measurements themselves
    Raises CalcError for an offset that is no number. How level, trend and steps are told apart: differences.py.
    """
    number(floor_um, "The uncertainty of a difference (um)", "floor_um", 0.0, _OUTSIDE_UM)
    ordered = sorted(pairs, key=lambda pair: pair.running.when)
    difference = _differences(ordered)
    return _learned(tuple(pair.running.when for pair in ordered), difference, at, floor_um)


def _learned(whens: Sequence[datetime], difference: Floats, at: datetime | None, floor_um: float) -> Learned | None:
    days = np.array([(when - whens[0]).total_seconds() / DAY_S for when in whens])
    found = follow(days, difference, floor_um=floor_um)
    if found is None:
        return None
    day = (at - whens[0]).total_seconds() / DAY_S if at else days[-1] + (days[-1] - days[0]) / (len(days) - 1)
    fits = found.across, found.up
    stepped_at = {Step.NONE: None, Step.SUSPECTED: whens[-1], Step.CERTAIN: whens[found.begins]}
    return Learned(
        pairs=len(whens),
        mean_um=(found.across.at(day), found.up.at(day)),
        sd_um=(fits[0].sd_um, fits[1].sd_um),
        mean_within_um=(fits[0].within(day), fits[1].within(day)),
        next_within_um=(fits[0].next_within(day), fits[1].next_within(day)),
        dof=min(fit.dof for fit in fits),
        courses=found,
        used=len(whens) - found.begins,
        step_on=stepped_at[found.step],
    )


def shift_when_running(learned: Learned | None, beam: BeamModel | None, *, beside_um: float = 0.0) -> Shift | None:
    """Return what a static value changes by when the machine runs: from pairs, else from the beam, else None.

    beside_um  how much higher (up positive) the ram hangs where the value was read than where the pairs were
    Raises CalcError for what is no number.
    """
    if learned is not None:
        factor = coverage_factor(learned.dof, LEVEL)  # of one further difference, not of the fitted one
        var_x, var_y = ((within / factor) ** 2 for within in learned.next_within_um)
        part = Part("pairs of static and running", var_x, var_y, dof=learned.dof)
        words = f"From {learned.pairs} pairs of static and running on this machine."
        up = number(beside_um, "The ram's line (um)", "beside_um", -_OUTSIDE_UM, _OUTSIDE_UM)
        return Shift(learned.mean_um[0], learned.mean_um[1] + up, part, True, words)
    if beam is not None:
        _check_beam(beam)
        words = "From the ram's droop alone: 3 pairs of static and running are needed to learn from experience."
        return Shift(0.0, beam.deflection_um, Part("droop of the ram", 0.0, beam.u_um**2), False, words)
    return None


def check(pairs: Sequence[Pair], beam: BeamModel | None, *, floor_um: float = 0.0) -> Check:
    """Return whether the beam and the pairs agree, and whether the newest pair fits those before it.

    They agree where the learned mean lies within sqrt(its own interval^2 + (2 u_beam)^2) of the beam, across and up.
    The newest pair is odd where it lies outside the prediction interval of the earlier ones, of which 3 are needed.
    """
    ordered = sorted(pairs, key=lambda pair: pair.running.when)
    learned = learn(ordered, at=ordered[-1].running.when if ordered else None, floor_um=floor_um)
    odd = learned is not None and learned.step is Step.SUSPECTED
    if learned is None or beam is None:
        missing = "3 pairs of static and running" if learned is None else "the ram's geometry"
        words = f"Whether beam and experience agree cannot be told without {missing}."
        return Check(Agreement.NOT_KNOWN, None, None, odd, words)
    _check_beam(beam)
    apart = (learned.mean_um[0], learned.mean_um[1] - beam.deflection_um)
    allowed = _two(np.hypot(learned.mean_within_um, 2.0 * beam.u_um))
    outside = [abs(far) > most for far, most in zip(apart, allowed, strict=True)]
    agreement = Agreement.DISAGREE if any(outside) else Agreement.AGREE
    return Check(agreement, apart, allowed, odd, _words(apart, outside))


def _words(apart: tuple[float, float], outside: Sequence[bool]) -> str:
    if outside[1] and apart[1] < 0.0:
        return "The ram hangs lower than its droop explains: look for grown clearance or a worn bushing."
    if outside[1]:
        return "The ram hangs less than its droop says: check the clearance, the masses and the bushings on record."
    if outside[0]:
        return (
            "Running shifts the station sideways, which droop does not: look for side wear of a bushing or side load."
        )
    return "Beam and pairs agree."


def _differences(pairs: Sequence[Pair]) -> Floats:
    rows = [(m.x_um, m.y_um) for pair in pairs for m in (pair.static, pair.running)]
    table = numbers(rows, "Every offset of a pair (um)", "pairs", -_OUTSIDE_UM, _OUTSIDE_UM).reshape(-1, 2, 2)
    return np.asarray(table[:, 1] - table[:, 0])


def _check_beam(beam: BeamModel) -> None:
    number(beam.deflection_um, "The ram's deflection (um)", "deflection_um", -_OUTSIDE_UM, _OUTSIDE_UM)
    number(beam.u_um, "The uncertainty of the droop (um)", "u_um", 0.0, _OUTSIDE_UM)


def _two(values: Floats) -> tuple[float, float]:
    return float(values[0]), float(values[1])
