"""Put visits into the plan, move them, take them out, and close them when they are done."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import F

from linelog.alignment.models import Visit
from linelog.planning.models import PlannedPart, PlannedVisit, StopWindow, Stretch
from linelog.planning.places import begin_in, keep_parts, place_in
from linelog.planning.services.guard import check_may_plan, held
from linelog.planning.suggest import Change
from linelog.plant.models import Machine, Plant
from linelog.production import weeks as calendar
from linelog.production.days import local_day
from linelog.web import audit, followers
from linelog.web.errors import Conflict, NotAllowed, Refused
from linelog.web.units import show_hours

PLANNED = PlannedVisit.State.PLANNED
SETTLED = ["week", "window", "starts_at", "hours", "is_pinned", "state", "visit", "sequence", "changed_at", "version"]
MOST_HOURS = 200.0


def put(
    *,
    by: Any,
    at: dt.datetime,
    machine: Machine,
    week: dt.date,
    hours: float,
    reason: str,
    pinned: bool,
    window: StopWindow | None = None,
    besides: Collection[int] = (),
) -> PlannedVisit:
    """Put a machine's visit into a week; into the given stop, else into the first of the week that takes it.

    besides  entries, by id, that are about to be placed anew: they hold no room
    """
    check_may_plan(by)
    if not Machine.objects.for_user(by).filter(pk=machine.pk).exists():
        raise NotAllowed("This machine is not of your plant.")
    entry = PlannedVisit(
        machine=machine, week=calendar.monday(week), hours=hours, reason=reason, is_pinned=pinned,
        made_at=at, changed_at=at,
    )  # fmt: skip
    _rules(entry, at)
    stretches = place_in(entry, at, window, besides)
    begin_in(entry, stretches)
    try:
        with transaction.atomic():
            entry.save(force_insert=True)
            keep_parts(entry, stretches)
            _record(by, at, entry, "planned visit", None)
    except IntegrityError:
        raise Conflict(f"{machine} is in the plan already.") from None
    return entry


@transaction.atomic
def change(
    *, by: Any, at: dt.datetime, entry: PlannedVisit, version: int, week: dt.date, hours: float, pinned: bool
) -> PlannedVisit:
    """Move an entry to a week, change its hours, pin it or let it go."""
    week = calendar.monday(week)
    fresh = _open(by, entry, version, yours=_told(week, hours, pinned))
    before = snapshot(fresh)
    moved = (fresh.week, fresh.hours) != (week, hours)
    fresh.week, fresh.hours, fresh.is_pinned = week, hours, pinned
    if moved:
        _rules(fresh, at)
        _place(fresh, place_in(fresh, at))
    return _store(by, at, fresh, "changed plan", before, told=moved)


@transaction.atomic
def settle(
    *, by: Any, at: dt.datetime, entries: Iterable[PlannedVisit], were: Mapping[int, dict[str, Any]] | None = None
) -> None:
    """Look again for a stop in the week of each entry, after the stops have changed: where it is, if it fits there.

    They are placed one after the other in the order of their time: where another stood before takes no room.

    were  snapshots of them, by id, from before a stop was removed: their parts in it are gone
    """
    moving = [entry for entry in {one.pk: one for one in entries}.values() if not _is_at_work(entry, at)]
    moving.sort(key=lambda one: (one.starts_at is None, one.starts_at or at, one.pk))
    for number, entry in enumerate(moving, start=1):
        before, now = (were or {}).get(entry.pk) or snapshot(entry), entry.stretches
        stretches = place_in(entry, at, entry.window, besides=[later.pk for later in moving[number:]])
        if stretches != now or (not now and entry.starts_at is not None):  # the stop it had may have gone
            _place(entry, stretches)
            _store(by, at, entry, "moved with the stops", before, told=True)


def _is_at_work(entry: PlannedVisit, at: dt.datetime) -> bool:
    """Whether its work has begun: it stays where it is."""
    now = entry.stretches
    return bool(now) and now[0].starts_at <= at < now[-1].window.ends_at


@transaction.atomic
def take_out(*, by: Any, at: dt.datetime, entry: PlannedVisit, version: int) -> PlannedVisit:
    """Take an entry out of the plan; calendars hear that it is cancelled."""
    fresh = _open(by, entry, version)
    before = snapshot(fresh)
    fresh.state = PlannedVisit.State.CANCELLED
    return _store(by, at, fresh, "took out of plan", before, told=True)


@transaction.atomic
def accept(*, by: Any, at: dt.datetime, plant: Plant, changes: Sequence[tuple[Change, str]]) -> int:
    """Store the chosen changes of a suggestion (each with the reason to keep); return how many there were.

    What goes into one stop is placed before what has to take several, and where a machine goes from takes no room.
    """
    check_may_plan(by)
    open_ones = PlannedVisit.objects.select_for_update(of=("self",)).filter(machine__line__plant=plant, state=PLANNED)
    by_machine = {entry.machine_id: entry for entry in open_ones.select_related("machine__line__plant", "window")}
    machines = Machine.objects.select_related("line__plant").filter(line__plant=plant).in_bulk()
    stops = StopWindow.objects.filter(plant=plant).in_bulk()
    moving = {by_machine[one.machine].pk for one, _ in changes if one.machine in by_machine}
    for one, reason in sorted(changes, key=lambda change: (change[0].stops, -change[0].hours)):
        old, stop = by_machine.get(one.machine), stops.get(one.window) if one.window else None
        if one.week is None and old is not None:
            take_out(by=by, at=at, entry=old, version=old.version)
        elif one.week is not None and old is None:
            put(by=by, at=at, machine=machines[one.machine], week=one.week, hours=one.hours, reason=reason,
                pinned=False, window=stop, besides=moving)  # fmt: skip
        elif one.week is not None and old is not None:
            moving.discard(old.pk)
            before = snapshot(old)
            old.week, old.hours = one.week, one.hours
            _place(old, place_in(old, at, stop, besides=moving))
            _store(by, at, old, "changed plan", before, told=True)
    return len(changes)


def _place(entry: PlannedVisit, stretches: tuple[Stretch, ...]) -> None:
    """Give an entry its stops; whoever calls stores the entry."""
    begin_in(entry, stretches)
    PlannedPart.objects.filter(entry=entry).delete()
    keep_parts(entry, stretches)


def close_at_signing(told: followers.Change) -> None:
    """Follow the signing of visits."""
    close_done(at=told.at, plant=Plant.objects.get(pk=told.plant_id))


def close_done(*, at: dt.datetime, plant: Plant) -> int:
    """Close the open entries of machines that had a visit signed since they were planned; return how many."""
    signed = Visit.objects.filter(
        machine__planned_visits__state=PLANNED,
        machine__planned_visits__machine__line__plant=plant,
        state=Visit.State.SIGNED,
        signed_at__gt=F("machine__planned_visits__made_at"),
        planned_as__isnull=True,
    )
    first: dict[int, Visit] = {}
    for visit in signed.order_by("signed_at", "pk"):
        first.setdefault(visit.machine_id, visit)
    for machine, visit in first.items():
        _close(machine, visit, at)
    return len(first)


@transaction.atomic
def _close(machine: int, visit: Visit, at: dt.datetime) -> None:
    entry = PlannedVisit.objects.select_for_update(of=("self",)).filter(machine=machine, state=PLANNED).first()
    if entry is None:
        return
    before = snapshot(entry)
    entry.state, entry.visit = PlannedVisit.State.DONE, visit
    _store(None, at, entry, "closed by its visit", before, told=True)


def _told(week: dt.date, hours: float, pinned: bool) -> str:
    return f"{calendar.label(week)}, {show_hours(hours)} h, {'pinned' if pinned else 'not pinned'}"


def _open(by: Any, entry: PlannedVisit, version: int, yours: str = "") -> PlannedVisit:
    fresh = held(by, entry)
    if fresh.version != version:
        now = _told(fresh.week, fresh.hours, fresh.is_pinned) if fresh.state == PLANNED else "no longer in the plan"
        mine = f"Yours is not stored: {yours}." if yours else "It was not taken out."
        raise Conflict(
            f"{fresh.machine} was changed by somebody else meanwhile and stands there now: {now}. {mine}",
            theirs=fresh,
        )
    if fresh.state != PLANNED:
        raise Refused(f"{fresh} is {fresh.get_state_display().lower()}: it is no longer changed.")
    return fresh


def _rules(entry: PlannedVisit, at: dt.datetime) -> None:
    plant = entry.machine.line.plant
    if not 0.0 < entry.hours <= MOST_HOURS:
        raise Refused(f"The hours must be above 0 and at most {MOST_HOURS:g}.", field="hours")
    first = calendar.monday(local_day(plant, at))
    if not first <= entry.week <= first + dt.timedelta(days=365):
        raise Refused("Choose this week or one of the coming year.", field="week")


def _store(
    by: Any, at: dt.datetime, entry: PlannedVisit, action: str, before: dict[str, Any], *, told: bool
) -> PlannedVisit:
    """Store a changed entry with its history; `told` where calendars must hear of it."""
    entry.version += 1
    entry.sequence += int(told)
    entry.changed_at = at
    entry.save(update_fields=SETTLED)
    _record(by, at, entry, action, before)
    return entry


def _record(by: Any, at: dt.datetime, entry: PlannedVisit, action: str, before: dict[str, Any] | None) -> None:
    after, plant_id = snapshot(entry), entry.machine.line.plant_id
    audit.record(by=by, action=action, obj=entry, at=at, before=before, after=after, plant_id=plant_id)


def snapshot(entry: PlannedVisit) -> dict[str, Any]:
    """Return an entry as the history keeps it: where it takes several stops, with its time in each."""
    parts = entry.stretches
    told = [
        {"starts_at": one.starts_at.astimezone(dt.UTC).isoformat(), "hours": round(one.hours, 2)} for one in parts
    ]
    return audit.snapshot(entry) | ({"parts": told} if len(parts) > 1 else {})
