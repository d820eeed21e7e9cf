"""The rule of repeat problems: what comes back at one machine, in which pattern, and whether it came back since."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from linelog.alignment.standing import RUNNING
from linelog.calc.began import Began
from linelog.calc.directions import FEWEST, Directions, agreement, apart_deg, directions_deg
from linelog.calc.errors import CalcError
from linelog.calc.plain_repeat import Plain
from linelog.calc.repeat import AsFound, Follows, Together, follows, repeat_problem, together
from linelog.calc.repeat import Pattern as Direction
from linelog.trends.models.repeats import RepeatProblem
from linelog.trends.repeats.history import Found, History, Series
from linelog.trends.repeats.usual import NOTHING, UsualOf, plainly

Kind = RepeatProblem.Kind
Pattern = RepeatProblem.Pattern
Since = RepeatProblem.Since
ALL_TOGETHER = "machine"
ONE_WAY_DEG = 45.0  # a station within this of the others' direction goes with them: common practice, no source
WARM_P = 0.01  # two temperatures are tried: common practice, no source
_PATTERNS = {
    Direction.SAME_WAY: Pattern.SAME_WAY,
    Direction.SCATTERED: Pattern.SCATTERED,
    Direction.NOT_CLEAR: Pattern.NOT_CLEAR,
}
_TOGETHER = {Together.UP: Pattern.UP, Together.DOWN: Pattern.DOWN, Together.SIDEWAYS: Pattern.SIDEWAYS}


@dataclass(frozen=True, slots=True)
class Rule:
    """Out on `out_of` of the `last` as-found visits: the plant's own setting; or plainly so on two in a row."""

    out_of: int
    last: int
    usual: UsualOf = field(default=NOTHING)

    def holds(self, recent: Sequence[Occasion]) -> bool:
        """Whether it holds among the last few of some occasions in a row, the newest last."""
        some = recent[-self.last :]
        return sum(one.out for one in some) >= self.out_of or any(one.plain for one in some[1:])


@dataclass(frozen=True, slots=True)
class Occasion:
    """A visit (or a month) that was looked at: whether it was one of those times, and plainly so with the last."""

    on: dt.date
    out: bool
    plain: bool = False


@dataclass(frozen=True, slots=True)
class Problem:
    """What the rule says of one thing that may come back. `goes_with` names a temperature that it follows.

    plain  the plainest two visits in a row among those looked at, where two were enough
    began  since when, days as ordinals; None: not worked out
    """

    key: str
    kind: Kind
    pattern: Pattern
    occasions: tuple[Occasion, ...]
    times: int
    looked_at: int
    holds: bool
    station_id: int | None = None
    method: str = ""
    cause_id: int | None = None
    code_id: int | None = None
    directions: Directions | None = None
    comes_back_million: float | None = None
    warm: Follows | None = None
    goes_with: str = ""
    plain: Plain | None = None
    began: Began | None = None
    part: bool = False  # of all stations going together

    @property
    def last_on(self) -> dt.date:
        """The last time."""
        return max(one.on for one in self.occasions if one.out)


def station_key(station_id: int, method: str) -> str:
    """Name a station's problem so that a refit finds it again."""
    return f"station:{station_id}:{method}"


def problems(history: History, rule: Rule) -> list[Problem]:
    """Return what the rule says of every station of a machine that was ever found out, and of all together."""
    own = [one for one in (station_problem(series, rule) for series in history.series) if one is not None]
    common = all_together(history, rule)
    if common is None:
        return own
    if not common.holds or common.directions is None or common.directions.mean_deg is None:
        return [common, *own]
    toward = common.directions.mean_deg
    return [common, *(replace(one, part=True) if _goes_along(one, toward) else one for one in own)]


def _goes_along(one: Problem, toward: float) -> bool:
    mean = one.directions.mean_deg if one.directions else None
    return mean is not None and one.pattern is not Pattern.THERMAL and apart_deg(mean, toward) <= ONE_WAY_DEG


def station_problem(series: Series, rule: Rule) -> Problem | None:
    """Apply the rule to one station; None where no visit found it out."""
    if not any(found.is_out for found in series.found):
        return None
    seen = repeat_problem([as_found(found) for found in series.found], out_of=rule.out_of, last=rule.last)
    pairs = plainly(series, rule.usual, rule.last)
    occasions = tuple(
        Occasion(found.visit.day, found.is_out, pair is not None and pair.is_plain)
        for found, pair in zip(series.found, pairs, strict=True)
    )
    holds = rule.holds(occasions)
    recent = [pair for pair in pairs[-rule.last :][1:] if pair is not None and pair.is_plain]
    plain = min(recent, key=lambda pair: pair.chance, default=None)
    pattern, warm, name = _PATTERNS[seen.pattern], None, ""
    if plain and pattern is Pattern.NOT_CLEAR and seen.out < FEWEST:
        pattern = Pattern.SAME_WAY
    if holds:
        warm, name = warmth(series.found)
        pattern = Pattern.THERMAL if warm else pattern
    return Problem(
        key=station_key(series.station_id, series.method),
        kind=Kind.STATION,
        pattern=pattern,
        occasions=occasions,
        times=seen.out,
        looked_at=seen.visits,
        holds=holds,
        station_id=series.station_id,
        method=series.method,
        directions=seen.directions,
        comes_back_million=seen.comes_back_million,
        warm=warm,
        goes_with=name,
        plain=plain,
    )


def as_found(found: Found) -> AsFound:
    """Return what the rule takes of a visit."""
    return AsFound(*found.off, found.is_out, found.strokes_million, found.by_tilt)


def warmth(found: Sequence[Found]) -> tuple[Follows | None, str]:
    """Return the temperature that the changes between visits go with, if one does, and its name.

    Changes since the station was left are held against changes of the temperature since then, along the direction
    in which the station changes most, so that moves made in between do not hide what warmth does.
    """
    best: tuple[Follows | None, str] = (None, "")
    for name, word in (("oil_c", "oil"), ("room_c", "room")):
        pairs = _warm_pairs(found, name)
        if len(pairs) < 4:
            continue
        table = np.array(pairs)
        try:
            seen = follows(_along_most(table[:, :2]), table[:, 2])
        except CalcError:  # the temperature, or the station, was the same each time
            continue
        if seen.p < WARM_P and (best[0] is None or seen.p < best[0].p):
            best = (seen, word)
    return best


def _warm_pairs(found: Sequence[Found], name: str) -> list[tuple[float, float, float]]:
    pairs = []
    for one in found:
        now = getattr(one.visit, name)
        then = getattr(one.left_visit, name) if one.left_visit else None
        if one.left is not None and now is not None and then is not None:
            pairs.append((one.value.x_um - one.left.x_um, one.value.y_um - one.left.y_um, now - then))
    return pairs


def _along_most(
    changes: np.ndarray[tuple[int, int], np.dtype[np.float64]],
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return the changes along the direction in which they spread most, up counted as positive."""
    _, axes = np.linalg.eigh(np.cov(changes.T))
    axis = axes[:, -1] * (1.0 if axes[1, -1] >= 0.0 else -1.0)
    return np.asarray(changes @ axis)


def all_together(history: History, rule: Rule) -> Problem | None:
    """Say whether all stations of a machine are found.off together again and again; None where they never were.

    A visit is one of those times where the static directions of its stations agree and at least one is proven out.
    """
    visits: dict[int, list[Found]] = {}
    for series in history.series:
        if series.method != RUNNING:
            for found in series.found:
                visits.setdefault(found.visit.pk, []).append(found)
    in_order = sorted(visits.values(), key=lambda at_once: (at_once[0].visit.at, at_once[0].visit.pk))
    said = [(at_once, _says(at_once)) for at_once in in_order]
    told = [(at_once, how) for at_once, how in said if how is not Together.TOO_FEW]
    recent = told[-rule.last :]
    words = [_TOGETHER[how] for _, how in recent if how in _TOGETHER]
    if not words:
        return None
    pattern = max(words, key=words.count)
    those = [pair for pair in told if _TOGETHER.get(pair[1]) is pattern]
    times = words.count(pattern)
    return Problem(
        key=ALL_TOGETHER,
        kind=Kind.MACHINE,
        pattern=pattern,
        occasions=tuple(Occasion(at_once[0].visit.day, _TOGETHER.get(how) is pattern) for at_once, how in told),
        times=times,
        looked_at=len(recent),
        holds=times >= rule.out_of,
        directions=_common(those[-times:]),
        comes_back_million=_median_strokes(those[-times:]),
    )


def _says(at_once: list[Found]) -> Together:
    how = together([found.value.x_um for found in at_once], [found.value.y_um for found in at_once])
    if how in _TOGETHER and not any(found.is_out for found in at_once):
        return Together.APART
    return how


def _common(those: Sequence[tuple[list[Found], Together]]) -> Directions:
    values = [found.value for at_once, _ in those for found in at_once if found.value.radial_um > 0.0]
    return agreement(directions_deg([value.x_um for value in values], [value.y_um for value in values]))


def _median_strokes(those: Sequence[tuple[list[Found], Together]]) -> float | None:
    strokes = [found.strokes_million for at_once, _ in those for found in at_once if found.strokes_million]
    return float(np.median(strokes)) if strokes else None


def came_back(
    occasions: Sequence[Occasion], taken_up_on: dt.date | None, rule: Rule, *, in_work: bool = False
) -> Since:
    """Say whether a problem came back after the day on which something was done; or that somebody is at it.

    It came back where the rule holds among the visits after that day. It has not come back once so many of the last
    ones were in order that the rule can no longer hold among them; until then there are not enough.
    """
    if in_work:
        return Since.IN_WORK
    if taken_up_on is None:
        return Since.OPEN
    if rule.holds([one for one in occasions if one.on > taken_up_on]):
        return Since.BACK
    times, looked_at = since(occasions, taken_up_on, rule)
    return Since.GONE if looked_at - times > rule.last - rule.out_of else Since.WAITING


def since(occasions: Sequence[Occasion], taken_up_on: dt.date, rule: Rule) -> tuple[int, int]:
    """Return how often it was found, on how many of the last visits after that day."""
    after = [one.out for one in occasions if one.on > taken_up_on][-rule.last :]
    return sum(after), len(after)


def noticed_on(one: Problem, rule: Rule) -> dt.date:
    """Return the day at which the rule began to hold, as it holds now."""
    end = len(one.occasions)
    while end > 1 and rule.holds(one.occasions[: end - 1]):
        end -= 1
    return one.occasions[end - 1].on
