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
    """An alignment that could be done: its hours, and the loss expected in each week of the plan if it is left."""

    key: str
    line: str
    hours: float
    loss_by_week: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Window:
    """A stop of a line, or of one job's machine (neither: of all), in a week: hours long, with crews side by side.

    `taken` are hours, over all crews, that other work has already.
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
    """A job in the plan, and the loss it avoids up to the end of the plan."""

    job: str
    window: str
    week: int
    hours: float
    avoided: float


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
    A job is done at most once, in a window of its line that is long enough; a window holds its hours times its crews,
    a week its crew hours. Done in a week, a job avoids half of that week's loss and all of the later ones.
    Raises `CalcError` for negative or missing numbers, keys given twice, and hand-set entries that do not fit.
    """
    fixed = dict(by_hand or {})
    hours = not_negative(crew_hours, "Crew hours", "crew_hours").tolist()
    _check(jobs, windows, len(hours))
    _check_by_hand(jobs, windows, hours, fixed)
    pairs = [
        (job, window)
        for job in jobs
        for window in windows
        if (window.key == fixed[job.key] if job.key in fixed else window.takes(job) and _avoided(job, window) > 0.0)
    ]
    chosen, is_best = _choose(pairs, windows, hours, fixed, seconds)
    entries = [Entry(job.key, window.key, window.week, job.hours, _avoided(job, window)) for job, window in chosen]
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


def _avoided(job: Job, window: Window) -> float:
    return 0.5 * job.loss_by_week[window.week] + sum(job.loss_by_week[window.week + 1 :])


def _choose(
    pairs: list[tuple[Job, Window]],
    windows: Sequence[Window],
    crew_hours: list[float],
    fixed: Mapping[str, str | None],
    seconds: float | None,
) -> tuple[list[tuple[Job, Window]], bool]:
    """Solve for the pairs to take, and say whether that is proven best; those set by hand are taken in any case."""
    if not pairs:
        return [], True
    jobs = {key: row for row, key in enumerate(dict.fromkeys(job.key for job, _ in pairs))}
    row_of_window = {window.key: len(jobs) + i for i, window in enumerate(windows)}
    first_week = len(jobs) + len(windows)
    rows = [[jobs[j.key], row_of_window[w.key], first_week + w.week] for j, w in pairs]
    values = [[1.0, j.hours, j.hours] for j, _ in pairs]
    columns = np.repeat(np.arange(len(pairs)), 3)
    matrix = scipy.sparse.csr_array(
        (np.ravel(values), (np.ravel(rows), columns)), (first_week + len(crew_hours), len(pairs))
    )
    room = np.array([1.0] * len(jobs) + [w.room for w in windows] + crew_hours) + _ROUNDING
    gain = np.array([_avoided(job, window) for job, window in pairs])
    with silenced():
        found = scipy.optimize.milp(
            -gain / max(float(gain.max()), 1e-300),
            integrality=np.ones(len(pairs), dtype=np.int64),
            bounds=scipy.optimize.Bounds([float(job.key in fixed) for job, _ in pairs], 1.0),
            constraints=scipy.optimize.LinearConstraint(matrix, -np.inf, room),
            options={"mip_rel_gap": _GAP, **({} if seconds is None else {"time_limit": seconds})},
        )
    if found.x is None and found.status != _OUT_OF_TIME:
        raise CalcError("No plan could be worked out from these windows and hours.", field="windows")
    shares = np.zeros(len(pairs)) if found.x is None else found.x
    taken = [pair for pair, share in zip(pairs, shares, strict=True) if share > 0.5]
    if found.status == _OUT_OF_TIME:
        # In a short time the solver may not have found what a plain order by worth gives.
        simple = _by_worth(pairs, crew_hours, fixed)
        return max(taken, simple, key=lambda some: sum(_avoided(*pair) for pair in some)), False
    return taken, True


def _by_worth(
    pairs: list[tuple[Job, Window]], crew_hours: list[float], fixed: Mapping[str, str | None]
) -> list[tuple[Job, Window]]:
    """Take pairs by what an hour of them avoids, those set by hand first: for when no better answer came in time."""
    in_window = {window.key: window.room for _, window in pairs}
    in_week = list(crew_hours)
    taken: dict[str, tuple[Job, Window]] = {}
    for job, window in sorted(pairs, key=lambda pair: (pair[0].key not in fixed, -_avoided(*pair) / pair[0].hours)):
        fits = job.hours <= min(in_window[window.key], in_week[window.week]) + _ROUNDING
        if job.key not in taken and fits:
            taken[job.key] = (job, window)
            in_window[window.key] -= job.hours
            in_week[window.week] -= job.hours
    return list(taken.values())


def _left_out(
    job: Job,
    windows: Sequence[Window],
    crew_hours: list[float],
    fixed: Mapping[str, str | None],
    entries: list[Entry],
) -> LeftOut:
    stops = [window for window in windows if window.stops(job)]
    fitting = [window for window in stops if window.takes(job)]
    if job.key in fixed:
        why, sentence = Why.BY_HAND, "Taken out of the plan by hand."
    elif not stops:
        why, sentence = Why.NO_STOP, f"{job.line} has no stop in these weeks."
    elif not fitting:
        longest = max(window.hours for window in stops)
        why, sentence = Why.TOO_LONG, f"It needs {job.hours:g} h and the longest stop has {longest:g} h."
    elif all(job.hours > crew_hours[window.week] + _ROUNDING for window in fitting):
        most = max(crew_hours[window.week] for window in fitting)
        why, sentence = Why.TOO_MUCH, f"It needs {job.hours:g} h and the crew has {most:g} h in the week of a stop."
    elif max(_avoided(job, window) for window in fitting) <= 0.0:
        why, sentence = Why.NO_LOSS, "Nothing is expected to be lost by leaving it."
    else:
        why, sentence = Why.OTHERS_FIRST, _outbid(job, fitting, entries)
    return LeftOut(job.key, why, sentence, float(sum(job.loss_by_week)))


def _outbid(job: Job, fitting: list[Window], entries: list[Entry]) -> str:
    here = max(_avoided(job, window) for window in fitting) / job.hours
    weeks = {window.week for window in fitting}
    least = min((entry.avoided / entry.hours for entry in entries if entry.week in weeks), default=0.0)
    if least > here:
        return f"It would avoid {here:.0f} for an hour's work, and each of those chosen avoids {least:.0f} or more."
    return f"It would avoid {here:.0f} for an hour's work, but its {job.hours:g} h do not fit beside those chosen."


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
