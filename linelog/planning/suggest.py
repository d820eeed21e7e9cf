"""The plan as it stands, and the one that would avoid most: both by the same hours, stops and expected losses."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass

from django.core.cache import cache

from linelog.calc.plan import Job, Plan, Window, make_plan
from linelog.planning.capacity import Capacity
from linelog.planning.models import PlannedVisit, StopWindow
from linelog.planning.room import with_room
from linelog.planning.worth import Worth, worths
from linelog.production.days import local_day
from linelog.production.weeks import begins, label, monday
from linelog.trends.state.outlook import Coming, MachineState

SECONDS = 2.0  # for the search; the best plan found by then is shown, and said to be no more than that
LEAST_A_WEEK = 1.0  # of the plant's money: a due machine whose loss nobody knows is planned where there is room


@dataclass(frozen=True, slots=True)
class Change:
    """What the suggestion would do with a machine: put it in, move it, or take its entry out.

    window  the first stop it would take, of so many `stops`
    """

    machine: int
    name: str
    words: str
    week: dt.date | None
    window: int | None
    hours: float
    avoided: float
    stops: int = 0


@dataclass(frozen=True, slots=True)
class NotIn:
    """A machine that is in no week, why, and what a week of waiting is expected to cost."""

    outlook: MachineState
    why: str


@dataclass(frozen=True, slots=True)
class Suggestion:
    """Changes to the plan as it stands; `digest` names the state of everything that they rest on."""

    changes: tuple[Change, ...]
    left_out: tuple[NotIn, ...]
    avoided: float
    avoided_now: float
    hours: float
    is_best: bool
    digest: str


def stops_in(plant_id: int, since: dt.datetime, until: dt.datetime) -> list[StopWindow]:
    """Return the stops that reach into a span."""
    rows = StopWindow.objects.filter(plant=plant_id, ends_at__gt=since, starts_at__lt=until)
    return list(rows.select_related("line", "machine__line"))


def week_of(coming: Coming, stop: StopWindow) -> dt.date:
    """Return the week a stop belongs to: that of its start, or the first where it has begun before."""
    return max(monday(local_day(coming.plant, stop.starts_at)), coming.weeks[0])


def avoided_by(outlook: MachineState, week: int) -> float:
    """Loss avoided up to the end of the plan by a visit in a week: half of that week's and all of the later ones."""
    return 0.5 * outlook.money[week] + sum(outlook.money[week + 1 :])


def losses_of(outlook: MachineState, worth: Worth) -> tuple[float, ...]:
    """Return the losses that the search goes by: a due machine is never worth nothing. They are not told.

    What a visit is expected to save where that is known, else what the machine is expected to lose.
    """
    least = LEAST_A_WEEK if outlook.due.is_due else 0.0
    known = outlook.money if worth.a_week is None else [worth.a_week] * len(outlook.money)
    return tuple(max(one, least) for one in known)


def suggest(
    coming: Coming, stops: Sequence[StopWindow], entries: Sequence[PlannedVisit], capacity: Capacity
) -> Suggestion:
    """Work out the plan that avoids most, with pinned entries where they are; kept until anything changes."""
    fixed = [entry for entry in entries if entry.is_pinned]
    held = {entry.machine_id for entry in fixed}
    ends = coming.weeks[-1] + dt.timedelta(days=6)
    wanted = [
        one
        for one in coming.machines.values()
        if one.machine.pk not in held and (one.due.is_due or (one.due.on is not None and one.due.on <= ends))
    ]
    least = coming.plant.visit_base_hours
    worth = worths(coming)
    jobs = [
        Job(str(pk), str(one.machine.line), one.hours, losses_of(one, worth[pk]), least, worth[pk].hours)
        for one in wanted
        for pk in (one.machine.pk,)
    ]
    windows = [_window(coming, stop, fixed, capacity.now) for stop in stops]
    hours = [max(capacity.hours[week] - sum(e.hours for e in fixed if e.week == week), 0.0) for week in coming.weeks]
    plan, digest = _cached(jobs, [one for one in windows if one.hours > 0.0], hours)
    return _compared(coming, plan, entries, capacity, digest)


def room_of(coming: Coming, entries: Sequence[PlannedVisit], capacity: Capacity) -> frozenset[int]:
    """Return the entries, by id, that there is room for."""
    return with_room(capacity, entries, {entry.pk: avoided_of(coming, entry) for entry in entries})


def _window(coming: Coming, stop: StopWindow, fixed: Sequence[PlannedVisit], now: dt.datetime) -> Window:
    """Return a stop as the search takes it: what is left of it from now on, less what is pinned in it."""
    last = begins(coming.plant, coming.weeks[-1] + dt.timedelta(days=7))
    seconds = (min(stop.ends_at, last) - max(stop.starts_at, now)).total_seconds()
    return Window(
        key=str(stop.pk),
        week=coming.weeks.index(week_of(coming, stop)),
        hours=round(max(seconds, 0.0) / 3600.0, 1),  # so that a search holds for a few minutes
        line=str(stop.line) if stop.line else None,
        crews=stop.crews,
        job=str(stop.machine_id) if stop.machine_id else None,
        taken=sum(one.hours for entry in fixed for one in entry.stretches if one.window.pk == stop.pk),
    )


def _cached(jobs: list[Job], windows: list[Window], hours: list[float]) -> tuple[Plan, str]:
    """Search once for one state of the jobs, stops and hours."""
    rounded = [
        [job.key, job.line, job.hours, job.least, job.expected, [round(loss, 1) for loss in job.loss_by_week]]
        for job in jobs
    ]
    asked = json.dumps([rounded, [asdict(window) for window in windows], hours], sort_keys=True)
    digest = hashlib.sha256(asked.encode()).hexdigest()
    plan: Plan | None = cache.get(f"plan:{digest}")
    if plan is None:
        plan = make_plan(jobs, windows, hours, seconds=SECONDS)
        cache.set(f"plan:{digest}", plan, timeout=24 * 3600)
    return plan, digest


def _compared(
    coming: Coming, plan: Plan, entries: Sequence[PlannedVisit], capacity: Capacity, digest: str
) -> Suggestion:
    ends = coming.weeks[-1] + dt.timedelta(days=6)
    now = {entry.machine_id: entry for entry in entries}
    found = {int(entry.job): entry for entry in plan.entries}
    changes = []
    for pk, entry in found.items():
        outlook, week = coming.machines[pk], coming.weeks[entry.week]
        old = now.get(pk)
        if old and old.week == week and old.window_id is not None:
            continue  # another stop of the same week avoids no more
        what = f"move from {label(old.week)} to {label(week)}" if old else f"put into {label(week)}"
        avoided = avoided_by(outlook, entry.week)
        changes.append(_change(outlook, what, week, int(entry.window), float(entry.hours), avoided, entry.stops))
    for pk, old in now.items():
        if pk not in found and not old.is_pinned and pk in coming.machines:
            changes.append(_change(coming.machines[pk], f"take out of {label(old.week)}", None, None, old.hours, 0.0))
    room = room_of(coming, entries, capacity)
    pinned = sum(avoided_of(coming, entry) for entry in entries if entry.is_pinned and entry.pk in room)
    held = sum(entry.hours for entry in entries if entry.is_pinned)
    return Suggestion(
        changes=tuple(changes),
        left_out=tuple(_left_out(coming, plan, set(found) | {pk for pk, old in now.items() if old.is_pinned}, ends)),
        avoided=sum(avoided_by(coming.machines[pk], entry.week) for pk, entry in found.items()) + pinned,
        avoided_now=sum(avoided_of(coming, entry) for entry in entries if entry.pk in room),
        hours=float(sum(plan.hours_by_week)) + held,
        is_best=plan.is_best,
        digest=digest,
    )


def _change(
    outlook: MachineState,
    what: str,
    week: dt.date | None,
    window: int | None,
    hours: float,
    avoided: float,
    stops: int = 0,
) -> Change:
    return Change(outlook.machine.pk, str(outlook.machine), what, week, window, hours, avoided, stops)


def avoided_of(coming: Coming, entry: PlannedVisit) -> float:
    """Loss that an entry avoids up to the end of the plan; of a week outside it, nothing."""
    if entry.machine_id not in coming.machines or entry.week not in coming.weeks:
        return 0.0
    return avoided_by(coming.machines[entry.machine_id], coming.weeks.index(entry.week))


def _left_out(coming: Coming, plan: Plan, planned: set[int], ends: dt.date) -> list[NotIn]:
    """Say of each machine that is not in the suggestion why; those that lose most first."""
    said = {int(left.job): left.sentence for left in plan.left_out}
    found = []
    for pk, outlook in coming.machines.items():
        if pk in planned:
            continue
        why = said.get(pk) or f"Not due before {outlook.due.on}, and the plan ends {ends}."
        found.append(NotIn(outlook, why))
    return sorted(found, key=lambda one: (one.outlook.machine.pk not in said, -one.outlook.a_week))
