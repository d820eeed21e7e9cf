"""Which machines to align in the coming weeks: the choice that avoids most expected loss in the hours there are.

Weeks are numbered from 0, the coming one. Money is in the plant's currency, hours are hours of one crew.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import groupby

import numpy as np
import scipy

from linelog.calc.arrays import not_negative, one_number
from linelog.calc.errors import CalcError
from linelog.calc.quiet import silenced

_GAP = 1e-3  # the plan is within a thousandth of the best there is
_ROUNDING = 1e-9
_OUT_OF_TIME = 1  # scipy's word for it


@dataclass(frozen=True, slots=True)
class Job:
    """An alignment that could be done: its hours, and the loss expected in each week of the plan if it is left.

    `least` are the hours below which a part of it is not worth a stop: with it the job may be done in several stops
    of one week where none takes it whole (None: in one stop only). `expected` are the crew's hours to reckon with
    where a check may find out what it must open then: a stop need not hold these.
    """

    key: str
    line: str
    hours: float
    loss_by_week: tuple[float, ...]
    least: float | None = None
    expected: float | None = None

    @property
    def crew_hours(self) -> float:
        """Hours that it is expected to take of the crew's week."""
        return self.hours if self.expected is None else max(self.expected, self.hours)


@dataclass(frozen=True, slots=True)
class Window:
    """A stop of a line, or of one job's machine (neither: of all), in a week: hours long, with crews side by side.

    Stops are given in the order of their time. `taken` are hours, over all crews, that other work has already.
    """

    key: str
    week: int
    hours: float
    line: str | None = None
    crews: int = 1
    job: str | None = None
    taken: float = 0.0

    def stops(self, job: Job) -> bool:
        """Whether the job's machine stands still in this window."""
        return self.line in (None, job.line) and self.job in (None, job.key)

    def takes(self, job: Job) -> bool:
        """Whether it stands still for long enough."""
        return self.stops(job) and job.hours <= self.hours + _ROUNDING

    @property
    def room(self) -> float:
        """Hours left in it, over all crews."""
        return max(self.hours * self.crews - self.taken, 0.0)


@dataclass(frozen=True, slots=True)
class Option:
    """A way to do a job: the stops of one week that it takes, with its hours in each."""

    job: Job
    parts: tuple[tuple[Window, float], ...]

    @property
    def week(self) -> int:
        """The week in which it is done."""
        return self.parts[0][0].week

    @property
    def avoided(self) -> float:
        """The loss it avoids: half of that week's and all of the later ones'."""
        return 0.5 * self.job.loss_by_week[self.week] + sum(self.job.loss_by_week[self.week + 1 :])


class Why(Enum):
    """Why a job is not in the plan."""

    BY_HAND = "taken out by hand"
    NO_STOP = "its line has no stop"
    TOO_LONG = "no stop is long enough"
    TOO_MUCH = "more than a week's crew hours"
    NO_LOSS = "nothing to lose by waiting"
    OTHERS_FIRST = "others avoid more"


@dataclass(frozen=True, slots=True)
class Entry:
    """A job in the plan, with the first of the `stops` it takes, and the loss it avoids up to the end of the plan."""

    job: str
    window: str
    week: int
    hours: float
    avoided: float
    stops: int = 1


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A job that is not in the plan, why, in a sentence, and what leaving it is expected to cost."""

    job: str
    why: Why
    sentence: str
    loss: float


@dataclass(frozen=True, slots=True)
class Plan:
    """Entries by week, what was left out by loss, the hours used of each week, and the loss avoided in all.

    `is_best` is False where the time ran out before the best choice was proven.
    """

    entries: tuple[Entry, ...]
    left_out: tuple[LeftOut, ...]
    hours_by_week: tuple[float, ...]
    avoided: float
    is_best: bool = True


def make_plan(
    jobs: Sequence[Job],
    windows: Sequence[Window],
    crew_hours: Sequence[float],
    *,
    by_hand: Mapping[str, str | None] | None = None,
    seconds: float | None = None,
) -> Plan:
    """Choose jobs and windows by most expected loss avoided (mixed-integer programme, HiGHS through scipy).

    crew_hours  of each week, which sets how many weeks there are; every job's losses must be as many
    by_hand     job key to window key, or to None for 'not now': what the manager has set, kept as it is
    seconds     after which the best choice found so far is taken (None: until it is proven best)
    A job is done at most once, in a window of its line that is long enough, or in several of one week where none of
    them is (`Job.least`); a window holds its hours times its crews, a week its crew hours. Done in a week, a job
    avoids half of that week's loss and all of the later ones.
    Raises `CalcError` for negative or missing numbers, keys given twice, and hand-set entries that do not fit.
    """
    fixed = dict(by_hand or {})
    hours = not_negative(crew_hours, "Crew hours", "crew_hours").tolist()
    _check(jobs, windows, len(hours))
    _check_by_hand(jobs, windows, hours, fixed)
    options = [
        option for job in jobs for option in _options(job, windows, fixed) if job.key in fixed or option.avoided > 0.0
    ]
    chosen, is_best = _choose(options, windows, hours, fixed, seconds)
    entries = [
        Entry(one.job.key, one.parts[0][0].key, one.week, one.job.hours, one.avoided, len(one.parts))
        for one in chosen
    ]
    entries.sort(key=lambda entry: (entry.week, -entry.avoided, entry.job))
    planned = {entry.job for entry in entries}
    left = [_left_out(job, windows, hours, fixed, entries) for job in jobs if job.key not in planned]
    return Plan(
        entries=tuple(entries),
        left_out=tuple(sorted(left, key=lambda one: (-one.loss, one.job))),
        hours_by_week=tuple(sum(e.hours for e in entries if e.week == week) for week in range(len(hours))),
        avoided=sum(entry.avoided for entry in entries),
        is_best=is_best,
    )


def _options(job: Job, windows: Sequence[Window], fixed: Mapping[str, str | None]) -> list[Option]:
    """Return the ways to do a job: in one stop, and in a week none of whose stops has room for it in several."""
    if job.key in fixed:
        return [Option(job, ((window, job.hours),)) for window in windows if window.key == fixed[job.key]]
    found = []
    stops = sorted((window for window in windows if window.stops(job)), key=lambda window: window.week)
    for _, group in groupby(stops, key=lambda window: window.week):
        in_week = list(group)
        whole = [Option(job, ((window, job.hours),)) for window in in_week if window.takes(job)]
        found += whole
        if not any(one.parts[0][0].room + _ROUNDING >= job.hours for one in whole):
            found += [one for at in range(len(in_week)) if (one := _spread(job, in_week[at:])) is not None]
    return found


def _spread(job: Job, stops: Sequence[Window]) -> Option | None:
    """Spread a job over stops in their order, each as far as one crew has room; None where they do not suffice."""
    parts: list[tuple[Window, float]] = []
    left = job.hours
    for window in stops if job.least is not None else ():
        hours = min(window.hours, window.room, left)
        if hours >= min(job.least or 0.0, left) - _ROUNDING and hours > 0.0:
            parts.append((window, hours))
            left -= hours
        if left <= _ROUNDING:
            return Option(job, tuple(parts))
    return None


def _choose(
    options: list[Option],
    windows: Sequence[Window],
    crew_hours: list[float],
    fixed: Mapping[str, str | None],
    seconds: float | None,
) -> tuple[list[Option], bool]:
    """Solve for the options to take, and say whether that is proven best; those set by hand are taken in any case."""
    if not options:
        return [], True
    jobs = {key: row for row, key in enumerate(dict.fromkeys(one.job.key for one in options))}
    row_of_window = {window.key: len(jobs) + i for i, window in enumerate(windows)}
    first_week = len(jobs) + len(windows)
    cells = [
        (row, column, value)
        for column, one in enumerate(options)
        for row, value in [
            (jobs[one.job.key], 1.0),
            *((row_of_window[window.key], hours) for window, hours in one.parts),
            (first_week + one.week, one.job.hours if one.job.key in fixed else one.job.crew_hours),
        ]
    ]
    rows, columns, values = zip(*cells, strict=True)
    matrix = scipy.sparse.csr_array((values, (rows, columns)), (first_week + len(crew_hours), len(options)))
    room = np.array([1.0] * len(jobs) + [w.room for w in windows] + crew_hours) + _ROUNDING
    gain = np.array([one.avoided for one in options])
    with silenced():
        found = scipy.optimize.milp(
            -gain / max(float(gain.max()), 1e-300),
            integrality=np.ones(len(options), dtype=np.int64),
            bounds=scipy.optimize.Bounds([float(one.job.key in fixed) for one in options], 1.0),
            constraints=scipy.optimize.LinearConstraint(matrix, -np.inf, room),
            options={"mip_rel_gap": _GAP, **({} if seconds is None else {"time_limit": seconds})},
        )
    if found.x is None and found.status != _OUT_OF_TIME:
        raise CalcError("No plan could be worked out from these windows and hours.", field="windows")
    shares = np.zeros(len(options)) if found.x is None else found.x
    taken = [one for one, share in zip(options, shares, strict=True) if share > 0.5]
    # Within its thousandth of the best the solver may leave out what is worth little and would have room.
    taken = _by_worth(options, crew_hours, fixed, taken)
    if found.status == _OUT_OF_TIME:
        # In a short time the solver may not have found what a plain order by worth gives.
        simple = _by_worth(options, crew_hours, fixed, [one for one in options if one.job.key in fixed])
        return max(taken, simple, key=lambda some: sum(one.avoided for one in some)), False
    return taken, True


def _by_worth(
    options: list[Option], crew_hours: list[float], fixed: Mapping[str, str | None], before: list[Option]
) -> list[Option]:
    """Take options by what an hour of them avoids, after those taken before, as long as there is room."""
    in_window = {window.key: window.room for one in options for window, _ in one.parts}
    in_week = list(crew_hours)
    taken: dict[str, Option] = {}
    for one in [*before, *sorted(options, key=lambda one: -one.avoided / one.job.crew_hours)]:
        fits = all(hours <= in_window[window.key] + _ROUNDING for window, hours in one.parts)
        hours = one.job.hours if one.job.key in fixed else one.job.crew_hours
        if one.job.key not in taken and fits and hours <= in_week[one.week] + _ROUNDING:
            taken[one.job.key] = one
            in_week[one.week] -= hours
            for window, hours in one.parts:
                in_window[window.key] -= hours
    return list(taken.values())


def _left_out(
    job: Job,
    windows: Sequence[Window],
    crew_hours: list[float],
    fixed: Mapping[str, str | None],
    entries: list[Entry],
) -> LeftOut:
    stops = [window for window in windows if window.stops(job)]
    fitting = _options(job, windows, {})
    if job.key in fixed:
        why, sentence = Why.BY_HAND, "Taken out of the plan by hand."
    elif not stops:
        why, sentence = Why.NO_STOP, f"{job.line} has no stop in these weeks."
    elif not fitting:
        why, sentence = Why.TOO_LONG, _too_long(job, stops)
    elif all(job.crew_hours > crew_hours[one.week] + _ROUNDING for one in fitting):
        most = max(crew_hours[one.week] for one in fitting)
        why, sentence = (
            Why.TOO_MUCH,
            f"It needs {job.crew_hours:g} h and the crew has {most:g} h in the week of a stop.",
        )
    elif max(one.avoided for one in fitting) <= 0.0:
        why, sentence = Why.NO_LOSS, "Nothing is expected to be lost by leaving it."
    else:
        why, sentence = Why.OTHERS_FIRST, _outbid(job, fitting, entries)
    return LeftOut(job.key, why, sentence, float(sum(job.loss_by_week)))


def _too_long(job: Job, stops: Sequence[Window]) -> str:
    by_week: dict[int, list[float]] = {}
    for window in stops:
        by_week.setdefault(window.week, []).append(min(window.hours, window.room))
    if job.least is not None and any(len(hours) > 1 for hours in by_week.values()):
        most = max(sum(hours) for hours in by_week.values())
        return f"It needs {job.hours:g} h and the stops of one week have {most:g} h of room together at most."
    longest = max(window.hours for window in stops)
    return f"It needs {job.hours:g} h and the longest stop has {longest:g} h."


def _outbid(job: Job, fitting: list[Option], entries: list[Entry]) -> str:
    here = max(one.avoided for one in fitting) / job.hours
    weeks = {one.week for one in fitting}
    least = min((entry.avoided / entry.hours for entry in entries if entry.week in weeks), default=0.0)
    if least > here:
        return f"For an hour's work each of those chosen avoids {least / here:.1f} times as much or more."
    return f"Its {job.crew_hours:g} h do not fit beside those chosen."


def _check(jobs: Sequence[Job], windows: Sequence[Window], weeks: int) -> None:
    for keys, what, field in (([j.key for j in jobs], "job", "jobs"), ([w.key for w in windows], "stop", "windows")):
        twice = [key for key, group in groupby(sorted(keys)) if len(list(group)) > 1]
        if twice:
            raise CalcError(f"The {what} {twice[0]} is given twice.", field=field)
    for job in jobs:
        one_number(job.hours, f"The hours of {job.key}", "hours", above=0.0)
        not_negative(job.loss_by_week, f"The losses of {job.key}", "loss_by_week")
        if len(job.loss_by_week) != weeks:
            raise CalcError(f"{job.key} needs a loss for each of the {weeks} weeks.", field="loss_by_week")
    for window in windows:
        one_number(window.hours, f"The hours of the stop {window.key}", "hours", above=-1e-12)
        one_number(window.taken, f"The hours taken of the stop {window.key}", "taken", above=-1e-12)
        if not 0 <= window.week < weeks or window.crews < 1:
            raise CalcError(f"The stop {window.key} needs a week of the plan and at least one crew.", field="windows")


def _check_by_hand(
    jobs: Sequence[Job], windows: Sequence[Window], crew_hours: list[float], fixed: Mapping[str, str | None]
) -> None:
    job_of, window_of = {job.key: job for job in jobs}, {window.key: window for window in windows}
    in_window = {window.key: 0.0 for window in windows}
    in_week = [0.0] * len(crew_hours)
    for job_key, window_key in fixed.items():
        if job_key not in job_of or not (window_key is None or window_key in window_of):
            raise CalcError(f"{job_key} was set by hand to a stop that is not in these weeks.", field="by_hand")
        if window_key is None:
            continue
        job, window = job_of[job_key], window_of[window_key]
        if not window.takes(job):
            raise CalcError(
                f"{job_key} needs {job.hours:g} h on {job.line}, and {window_key} does not give it.",
                field="by_hand",
            )
        in_window[window_key] += job.hours
        in_week[window.week] += job.hours
        if in_window[window_key] > window.room + _ROUNDING:
            raise CalcError(f"What was set by hand for {window_key} is longer than the stop.", field="by_hand")
        if in_week[window.week] > crew_hours[window.week] + _ROUNDING:
            raise CalcError(
                f"What was set by hand for {window_key} is more than that week's crew hours.", field="by_hand"
            )
