"""The short PIN by which a person takes over a shared tablet, and how few guesses anybody gets at it."""

from __future__ import annotations

import itertools
import logging
import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Any

from django.contrib.auth import get_user_model
from django.contrib.auth.hashers import check_password
from django.db import transaction
from django.db.models import Case, F, Q, QuerySet, Value, When
from django.utils.timezone import localtime

from linelog.web import audit
from linelog.web.errors import Refused
from linelog.web.models import PinTries, Tablet
from linelog.web.permissions import Role

log = logging.getLogger(__name__)

PERSON_TRIES = 5  # on one tablet
# On all tablets together, and then for minutes only: nobody can shut a colleague out of the whole hall.
ANYWHERE_TRIES, LOCKED_ANYWHERE_FOR = 10, timedelta(minutes=2)
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
    """Return the person if the PIN is theirs. Raises Refused, or Locked after too many wrong tries."""
    person = takers(device).filter(pk=person_id).first()
    if person is None:
        raise Refused("Choose your name from the list.")
    note = {"device": str(device), "tablet": tablet_id}
    with _checked(person, tablet_id, pin, note, at):
        audit.record(by=person, action="took over a tablet", obj=person, at=at, after=note)
    return person


def confirm(*, person: Any, device: Any, tablet_id: int, pin: str, at: datetime) -> None:
    """Let the person who acts on a tablet show once more who they are. Raises Refused or Locked."""
    with _checked(person, tablet_id, pin, {"device": str(device), "tablet": tablet_id}, at):
        pass


def forget_tries(person: Any) -> None:
    """Forget the wrong tries at a PIN that is no longer in use."""
    PinTries.objects.filter(person_id=person.pk).delete()


@contextmanager
def _checked(person: Any, tablet_id: int, pin: str, note: dict[str, Any], at: datetime) -> Iterator[None]:
    """Check a PIN; the block is part of the transaction that forgives the earlier wrong ones.

    A try is counted before the PIN is looked at, in one conditional update of the row, and taken back when it was
    right: however many tries run at once, no more than PERSON_TRIES reach the comparison. They are counted for the
    person on this tablet, for the tablet, and for the person anywhere: what is typed on one tablet shuts the person
    out there, and on the others only for minutes.
    """
    PinTries.objects.get_or_create(person_id=person.pk, tablet_id=tablet_id)
    here = PinTries.objects.filter(person_id=person.pk, tablet_id=tablet_id)
    tablet = Tablet.objects.filter(pk=tablet_id)
    on_tablet = _count(tablet, TABLET_TRIES, LOCKED_FOR, at)
    if not on_tablet:
        raise _locked(tablet.get().locked_until, "This tablet")
    by_person = _count(here, PERSON_TRIES, LOCKED_FOR, at)
    anywhere = _count_anywhere(person, at) if by_person else 0
    if not anywhere:
        _uncount(tablet)
        if by_person:
            _uncount(here)
            person.refresh_from_db(fields=["pin_locked_until"])
        raise _locked(person.pin_locked_until if by_person else here.get().locked_until, str(person))
    if not check_password(pin, person.pin_hash):
        _record_wrong(person, by_person, anywhere, tablet_id, on_tablet, note, at)
        raise Refused(_sentence(person, PERSON_TRIES - by_person), field="pin")
    with transaction.atomic():
        _rows(person).update(pin_failures=0, pin_locked_until=None)
        here.update(failures=0, locked_until=None)
        _uncount(tablet)
        yield


def _rows(person: Any) -> QuerySet[Any]:
    return get_user_model().objects.filter(pk=person.pk)


def _count_anywhere(person: Any, at: datetime) -> int:
    """Count one try of a person on any tablet and return which it is; 0 where no more are let through."""
    with transaction.atomic():
        rows = _rows(person)
        rows.filter(pin_locked_until__lte=at).update(pin_failures=0, pin_locked_until=None)
        until = Value(at + LOCKED_ANYWHERE_FOR)
        lock = Case(When(pin_failures__gte=ANYWHERE_TRIES - 1, then=until), default=None)
        free = rows.filter(pin_locked_until__isnull=True, pin_failures__lt=ANYWHERE_TRIES)
        counted = free.update(pin_failures=F("pin_failures") + 1, pin_locked_until=lock)
        return rows.values_list("pin_failures", flat=True).get() if counted else 0


def _count(rows: QuerySet[Any], most: int, lasts: timedelta, at: datetime) -> int:
    """Count one try in a row of tries and return which it is; 0 where no more are let through."""
    with transaction.atomic():
        over = Q(locked_until__lte=at) | Q(locked_until__isnull=True, failed_at__lte=at - lasts)
        rows.filter(over).update(failures=0, locked_until=None)
        lock = Case(When(failures__gte=most - 1, then=Value(at + lasts)), default=None)
        free = rows.filter(locked_until__isnull=True, failures__lt=most)
        counted = free.update(failures=F("failures") + 1, failed_at=at, locked_until=lock)
        return rows.values_list("failures", flat=True).get() if counted else 0


def _uncount(rows: QuerySet[Any]) -> None:
    rows.filter(failures__gt=0).update(failures=F("failures") - 1, locked_until=None)


def _record_wrong(
    person: Any, by_person: int, anywhere: int, tablet_id: int, on_tablet: int, note: dict[str, Any], at: datetime
) -> None:
    log.warning("wrong PIN for person %s on tablet %s", person.pk, tablet_id)
    events: list[tuple[str, Any]] = [("typed a wrong PIN", person)]
    if by_person >= PERSON_TRIES:
        events.append(("locked out after wrong PINs", person))
    if anywhere >= ANYWHERE_TRIES:
        events.append(("locked out everywhere after wrong PINs", person))
    if on_tablet >= TABLET_TRIES:
        events.append(("tablet locked after wrong PINs", Tablet.objects.get(pk=tablet_id)))
    with transaction.atomic():
        for action, what in events:
            audit.record(
                by=None, action=action, obj=what, at=at, after=note, plant_id=person.plant_id, by_name=audit.SOMEBODY
            )


def _sentence(person: Any, left: int) -> str:
    if left <= 0:
        minutes = int(LOCKED_FOR.total_seconds() // 60)
        return (
            f"That is not the PIN. {person} can try again here in {minutes} minutes, or ask a manager for a new PIN."
        )
    return f"That is not the PIN. {left} {'try' if left == 1 else 'tries'} left."


def _locked(until: datetime | None, who: str) -> Locked:
    when = f"at {localtime(until):%H:%M}" if until else "later"
    return Locked(f"Too many wrong PINs: {who} is locked. Try again {when}.", field="pin")
