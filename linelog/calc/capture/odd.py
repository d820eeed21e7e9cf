"""Strokes unlike the others (a misfeed, a tear-off, a knock): set aside by a robust rule, and always counted.

The rule is the modified z-score of Iglewicz and Hoaglin (1993), as in the NIST/SEMATECH e-Handbook 1.3.5.17: a value
is set aside where 0.6745*|value - median|/MAD is above 3.5. Of few values the MAD itself is uncertain (its efficiency
is 0.37), so the limit is then Student's, of the same chance: else every third capture of ten sound strokes loses
some, and with them its scatter. The rule is applied to each stroke's place in each phase, after taking out what
changes slowly, and to how much its path departs in shape from the mean path.
"""

from dataclasses import dataclass

import numpy as np
import scipy

from linelog.calc.capture.cells import Flags
from linelog.calc.capture.paths import PhasePaths
from linelog.calc.require import Floats

LARGEST_Z = 3.5
_EFFICIENCY = 0.37
_SLOW_STROKES = 51
#: Nothing a probe resolves, in um: scatter below it is rounding. The same as a share, for a logarithm.
_ROUNDING = 0.01


@dataclass(frozen=True, slots=True)
class Odd:
    """A stroke set aside: when it began, and in which phase it lay or bent unlike the others, by how much."""

    time_s: float
    phase: str
    why: str
    departure_um: float


def odd_strokes(phases: list[PhasePaths], start_s: Floats, step_um: float = 0.0) -> tuple[Flags, list[Odd]]:
    """Return which of the strokes (S) are odd, and the list of them, in order of time.

    `step_um` is how far rounding of the file lets a place jump; what stays within it is not odd.
    """
    floor = max(_ROUNDING, 0.6745 * step_um / LARGEST_Z)
    flags = np.zeros(start_s.size, dtype=bool)
    found: dict[int, Odd] = {}
    for paths in phases:
        away, bends = _departures(paths, start_s)
        largest = largest_z(len(bends))
        lies_odd = (np.abs(np.stack([modified_z(axis, floor) for axis in away.T])) > largest).any(axis=0)
        # A root mean square leans to the right, its logarithm hardly; only large ones are odd.
        bends_odd = modified_z(np.log(np.maximum(bends, _ROUNDING))) > largest
        bends_odd &= bends > np.median(bends) + step_um
        for why, size, odd in (("lies", np.hypot(*away.T), lies_odd), ("bends", bends, bends_odd)):
            for row in np.flatnonzero(odd):
                stroke = int(paths.strokes[row])
                flags[stroke] = True
                new = Odd(float(start_s[stroke]), paths.phase.value, why, float(size[row]))
                if stroke not in found or new.departure_um > found[stroke].departure_um:
                    found[stroke] = new
    return flags, [found[stroke] for stroke in sorted(found)]


def largest_z(count: int) -> float:
    """Largest modified z-score of a sound value among so many."""
    return float(scipy.special.stdtrit(max(_EFFICIENCY * (count - 2), 1.0), float(scipy.special.ndtr(LARGEST_Z))))


def modified_z(values: Floats, floor: float = _ROUNDING) -> Floats:
    """Return the modified z-scores of values (n), whose median departure is taken as `floor` at least."""
    away = values - np.median(values)
    return 0.6745 * away / max(float(np.median(np.abs(away))), floor)


def _departures(paths: PhasePaths, start_s: Floats) -> tuple[Floats, Floats]:
    """Each stroke's mean less that of its neighbours (S', 2), and root mean square of what is left of its path."""
    middle = np.median(paths.xy_um, axis=0)
    away = paths.xy_um - middle
    own = away.mean(axis=1)
    slow = np.stack([_slow(own[:, axis], start_s[paths.strokes]) for axis in (0, 1)], axis=1)
    bends = np.sqrt(((away - own[:, None]) ** 2).sum(axis=2).mean(axis=1))
    return own - slow, bends


def _slow(values: Floats, at: Floats) -> Floats:
    """Return what changes slowly in values (n): a line, then the running median of the rest, mirrored at the ends.

    Of fewer strokes than that median spans, the line alone: it would follow the strokes themselves.
    """
    if values.size < 3:
        return np.full(values.size, np.median(values))
    away = at - at.mean()
    line = values.mean() + away * float(away @ values) / max(float(away @ away), 1e-300)
    if values.size < _SLOW_STROKES:
        return np.asarray(line)
    return np.asarray(line + scipy.ndimage.median_filter(values - line, size=_SLOW_STROKES, mode="reflect"))
