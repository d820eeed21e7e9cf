"""Static and running, reconciled: what a station's static offset will be when the machine runs.

For one machine and station, pairs of (static as-left, next running result) with no move between them give
d = running - static. Their mean is what the station does when the machine runs; a next static offset is expected to
run at static + mean d, within Student's t (n - 1) times s * sqrt(1 + 1/n): the prediction interval for one further
value (Hahn & Meeker, Statistical Intervals, 2nd ed., ch. 4). With fewer than 3 pairs the beam alone is asked: it
hangs the ram by its droop, so d is (0, deflection), the deflection being negative down (see droop.py).

Offsets and differences in um, (x right, y up), component less ram line; static and running are never mixed otherwise.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import Enum

import numpy as np
from scipy import special

from linelog.calc.errors import CalcError
from linelog.calc.require import Floats, number, numbers
from linelog.calc.uncertainty import Part, Planar, planar

FEWEST_PAIRS = 3
LEVEL = 0.95
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
    """Mean and scatter of the differences, (x, y) each, from n pairs.

    The true mean lies within `mean_within_um` of `mean_um`, the next single difference within `next_within_um`, both
    at 95 %.
    """

    pairs: int
    mean_um: tuple[float, float]
    sd_um: tuple[float, float]
    mean_within_um: tuple[float, float]
    next_within_um: tuple[float, float]


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


def learn(pairs: Sequence[Pair], *, floor_um: float = 0.0) -> Learned | None:
    """Return what the pairs teach, or None with fewer than 3.

    floor_um: standard uncertainty of one difference that is known from the measurements themselves. A few pairs may
    happen to lie closer together than they can be measured; the scatter is never taken smaller than that. Raises
    CalcError for an offset that is no number.
    """
    number(floor_um, "The uncertainty of a difference (um)", "floor_um", 0.0, _OUTSIDE_UM)
    difference = _differences(pairs)
    n = len(pairs)
    if n < FEWEST_PAIRS:
        return None
    sd = np.maximum(difference.std(axis=0, ddof=1), floor_um)
    factor = float(special.stdtrit(n - 1, 0.5 + LEVEL / 2.0))
    return Learned(
        pairs=n,
        mean_um=_two(difference.mean(axis=0)),
        sd_um=_two(sd),
        mean_within_um=_two(factor * sd / math.sqrt(n)),
        next_within_um=_two(factor * sd * math.sqrt(1.0 + 1.0 / n)),
    )


def shift_when_running(learned: Learned | None, beam: BeamModel | None, *, beside_um: float = 0.0) -> Shift | None:
    """Return what a static value changes by when the machine runs: from pairs, else from the beam, else None.

    beside_um  how much higher (up positive) the ram hangs where the value was read than where the pairs were
    Raises CalcError for what is no number.
    """
    if learned is not None:
        more = 1.0 + 1.0 / learned.pairs  # of one further difference, not of their mean
        var_x, var_y = (sd**2 * more for sd in learned.sd_um)
        part = Part("pairs of static and running", var_x, var_y, dof=learned.pairs - 1.0)
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
    odd = _newest_odd(ordered, floor_um)
    learned = learn(ordered, floor_um=floor_um)
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


def _newest_odd(ordered: Sequence[Pair], floor_um: float) -> bool:
    earlier = learn(ordered[:-1], floor_um=floor_um)
    if earlier is None:
        return False
    newest = ordered[-1].difference_um
    reach = zip(newest, earlier.mean_um, earlier.next_within_um, strict=True)
    return any(abs(value - mean) > within for value, mean, within in reach)


def _differences(pairs: Sequence[Pair]) -> Floats:
    rows = [(m.x_um, m.y_um) for pair in pairs for m in (pair.static, pair.running)]
    table = numbers(rows, "Every offset of a pair (um)", "pairs", -_OUTSIDE_UM, _OUTSIDE_UM).reshape(-1, 2, 2)
    return np.asarray(table[:, 1] - table[:, 0])


def _check_beam(beam: BeamModel) -> None:
    number(beam.deflection_um, "The ram's deflection (um)", "deflection_um", -_OUTSIDE_UM, _OUTSIDE_UM)
    number(beam.u_um, "The uncertainty of the droop (um)", "u_um", 0.0, _OUTSIDE_UM)


def _two(values: Floats) -> tuple[float, float]:
    return float(values[0]), float(values[1])
