"""The short PIN by which a person takes over a shared tablet, and how few guesses anybody gets at it."""

from __future__ import annotations

import itertools
import logging
import re
from datetime import datetime, timedelta
from typing import Any

from django.contrib.auth import get_user_model
from django.contrib.auth.hashers import check_password
from django.db import transaction
from django.db.models import Case, F, Q, QuerySet, Value, When
from django.utils.timezone import localtime

from linelog.web import audit
from linelog.web.errors import Refused
from linelog.web.models import Tablet
from linelog.web.permissions import Role

log = logging.getLogger(__name__)

PERSON_TRIES = 5
# More than a person's: one clumsy glove must not shut the tablet for the whole shift.
TABLET_TRIES = 10
LOCKED_FOR = timedelta(minutes=15)
# Down the middle of the number pad, and its corners: among the first that anybody would try.
PAD_SHAPES = frozenset({"2580", "0852", "1379", "1397", "7931", "1937", "1478", "3698"})


class Locked(Refused):
    """Too many wrong PINs: nobody is let in until the time is over."""

    status = 429


def weakness(pin: str) -> str:
    """Say in one sentence why this cannot be a PIN; empty where it can."""
    if not re.fullmatch(r"[0-9]{4,6}", pin):
        return "A PIN is 4 to 6 digits."
    steps = {(int(b) - int(a)) % 10 for a, b in itertools.pairwise(pin)}
    if steps <= {0} or steps <= {1} or steps <= {9}:
        return "Digits that are all the same, or that count up or down, are the first anybody tries."
    for size in (2, 3):
        if len(pin) % size == 0 and pin == pin[:size] * (len(pin) // size):
            return "A pattern that repeats is easily guessed."
    if pin in PAD_SHAPES or (len(pin) == 4 and pin[:2] in {"19", "20"}):
        return "A year, or a line on the number pad, is easily guessed."
    return ""


def takers(device: Any) -> QuerySet[Any]:
    """Return the people who can take over this device: of its plant, active, with a PIN."""
    people = get_user_model().objects.filter(plant_id=device.plant_id, is_active=True)
    return people.exclude(pin_hash="").exclude(role=Role.ADMINISTRATOR.value)


def take_over(*, device: Any, tablet_id: int, person_id: int, pin: str, at: datetime) -> Any:
    """Return the person if the PIN is theirs. Raises Refused, or Locked after too many wrong tries.

    A try is counted before the PIN is looked at, in one conditional update of the row, and taken back when it was
    right: however many tries run at once, no more than PERSON_TRIES reach the comparison.
    """
    person = takers(device).filter(pk=person_id).first()
    if person is None:
        raise Refused("Choose your name from the list.")
    tablet_try = _count_on_tablet(tablet_id, at)
    if not tablet_try:
        raise _locked(Tablet.objects.get(pk=tablet_id).locked_until, "This tablet")
    person_try = _count_on_person(person, at)
    if not person_try:
        _uncount_on_tablet(tablet_id)
        person.refresh_from_db(fields=["pin_locked_until"])
        raise _locked(person.pin_locked_until, str(person))
    note = {"device": str(device), "tablet": tablet_id}
    if not check_password(pin, person.pin_hash):
        _record_wrong(person, person_try, tablet_id, tablet_try, note, at)
        raise Refused(_sentence(person, PERSON_TRIES - person_try), field="pin")
    with transaction.atomic():
        _rows(person).update(pin_failures=0, pin_locked_until=None)
        _uncount_on_tablet(tablet_id)
        audit.record(by=person, action="took over a tablet", obj=person, at=at, after=note)
    return person


def _rows(person: Any) -> QuerySet[Any]:
    return get_user_model().objects.filter(pk=person.pk)


def _count_on_person(person: Any, at: datetime) -> int:
    """Count one try and return which it is; 0 where no more are let through."""
    with transaction.atomic():
        rows = _rows(person)
        rows.filter(pin_locked_until__lte=at).update(pin_failures=0, pin_locked_until=None)
        lock = Case(When(pin_failures__gte=PERSON_TRIES - 1, then=Value(at + LOCKED_FOR)), default=None)
        free = rows.filter(pin_locked_until__isnull=True, pin_failures__lt=PERSON_TRIES)
        counted = free.update(pin_failures=F("pin_failures") + 1, pin_locked_until=lock)
        return rows.values_list("pin_failures", flat=True).get() if counted else 0


def _count_on_tablet(tablet_id: int, at: datetime) -> int:
    """Count one try and return which it is; 0 where no more are let through."""
    with transaction.atomic():
        rows = Tablet.objects.filter(pk=tablet_id)
        over = Q(locked_until__lte=at) | Q(locked_until__isnull=True, failed_at__lte=at - LOCKED_FOR)
        rows.filter(over).update(failures=0, locked_until=None)
        lock = Case(When(failures__gte=TABLET_TRIES - 1, then=Value(at + LOCKED_FOR)), default=None)
        free = rows.filter(locked_until__isnull=True, failures__lt=TABLET_TRIES)
        counted = free.update(failures=F("failures") + 1, failed_at=at, locked_until=lock)
        return rows.values_list("failures", flat=True).get() if counted else 0


def _uncount_on_tablet(tablet_id: int) -> None:
    Tablet.objects.filter(pk=tablet_id, failures__gt=0).update(failures=F("failures") - 1, locked_until=None)


def _record_wrong(
    person: Any, person_try: int, tablet_id: int, tablet_try: int, note: dict[str, Any], at: datetime
) -> None:
    log.warning("wrong PIN for person %s on tablet %s", person.pk, tablet_id)
    events: list[tuple[str, Any]] = [("typed a wrong PIN", person)]
    if person_try >= PERSON_TRIES:
        events.append(("locked out after wrong PINs", person))
    if tablet_try >= TABLET_TRIES:
        events.append(("tablet locked after wrong PINs", Tablet.objects.get(pk=tablet_id)))
    with transaction.atomic():
        for action, what in events:
            audit.record(
                by=None, action=action, obj=what, at=at, after=note, plant_id=person.plant_id, by_name=audit.SOMEBODY
            )


def _sentence(person: Any, left: int) -> str:
    if left <= 0:
        minutes = int(LOCKED_FOR.total_seconds() // 60)
        return f"That is not the PIN. {person} can try again in {minutes} minutes, or ask a manager for a new PIN."
    return f"That is not the PIN. {left} {'try' if left == 1 else 'tries'} left."


def _locked(until: datetime | None, who: str) -> Locked:
    when = f"at {localtime(until):%H:%M}" if until else "later"
    return Locked(f"Too many wrong PINs: {who} is locked. Try again {when}.", field="pin")
