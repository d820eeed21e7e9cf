"""Who works in the plant and as what: added, changed, let in and shut out."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import axes.utils
from django.contrib.auth.hashers import make_password
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import F, QuerySet

from linelog.plant.models import Person, Plant
from linelog.web import audit, pins
from linelog.web.errors import Conflict, NotAllowed, Refused
from linelog.web.permissions import Permission, Role, may

ADMINISTRATOR = Role.ADMINISTRATOR.value


def keepable(by: Any) -> QuerySet[Person]:
    """Return the people this person may change: a manager those of the plant, but no administrator."""
    if not may(by, Permission.PEOPLE):
        return Person.objects.none()
    people: QuerySet[Person] = Person.scoped.for_user(by).select_related("plant")
    return people if may(by, Permission.ADMINISTER) else people.exclude(role=ADMINISTRATOR)


def roles_for(by: Any) -> list[Role]:
    """Return the roles this person may give."""
    return [role for role in Role if role is not Role.ADMINISTRATOR or may(by, Permission.ADMINISTER)]


def plants_for(by: Any) -> QuerySet[Plant]:
    """Return the plants this person may put people into."""
    plants: QuerySet[Plant] = Plant.objects.for_user(by)
    return plants


def add(*, by: Any, at: datetime, password: str, facts: Mapping[str, Any]) -> Person:
    """Add a person; `facts` are username, first_name, last_name, role, unit and plant."""
    person = Person(**facts)
    _check_facts(by, person)
    _check_password(password, person)
    person.password = make_password(password)
    _derive(person)
    try:
        with transaction.atomic():
            person.save(force_insert=True)
            audit.record(
                by=by, action="added", obj=person, at=at, after=audit.snapshot(person), plant_id=person.plant_id
            )
    except IntegrityError:
        raise Refused("Somebody already signs in by this name.", field="username") from None
    return person


def add_administrator(*, username: str, password: str, at: datetime) -> Person:
    """Add an administrator from the server's own command line, where nobody is signed in yet."""
    person = Person(username=username, role=ADMINISTRATOR)
    _check_password(password, person)
    person.password = make_password(password)
    _derive(person)
    try:
        with transaction.atomic():
            person.save(force_insert=True)
            audit.record(by=None, action="added", obj=person, at=at, after=audit.snapshot(person))
    except IntegrityError:
        raise Refused("Somebody already signs in by this name.", field="username") from None
    return person


def change(*, by: Any, at: datetime, person_id: int, version: int, facts: Mapping[str, Any]) -> Person:
    """Change names, role, unit, plant or whether the person is active; Conflict where somebody was quicker."""
    with transaction.atomic():
        person = keepable(by).filter(pk=person_id).first()
        if person is None:
            raise NotAllowed("This person is not yours to change.")
        before, name = audit.snapshot(person), str(person)
        for field, value in facts.items():
            setattr(person, field, value)
        _check_facts(by, person)
        _check_own_way_out(by, person)
        _derive(person)
        fields = {
            **facts,
            "is_staff": person.is_staff,
            "is_superuser": person.is_superuser,
            "version": F("version") + 1,
        }
        if person.role == ADMINISTRATOR:
            fields["pin_hash"] = person.pin_hash = ""
        if not Person.objects.filter(pk=person_id, version=version).update(**fields):
            raise Conflict(
                f"{name} was changed by somebody else meanwhile; yours is not stored yet.",
                theirs=Person.objects.get(pk=person_id),
                yours=facts,
            )
        person.refresh_from_db()
        after = audit.snapshot(person)
        audit.record(by=by, action="changed", obj=person, at=at, before=before, after=after, plant_id=person.plant_id)
        return person


def set_password(*, by: Any, at: datetime, person: Person, password: str) -> None:
    """Give a person a new password, which ends every session of theirs and a lock-out.

    One gives it to oneself, and whoever keeps the list to anybody on it.
    """
    _check_keeper(by, person)
    _check_password(password, person)
    person.password = make_password(password)
    with transaction.atomic():
        Person.objects.filter(pk=person.pk).update(password=person.password)
        axes.utils.reset(username=person.username)  # the lock-out was for the old one
        audit.record(by=by, action="set the password", obj=person, at=at, plant_id=person.plant_id)


def set_pin(*, by: Any, at: datetime, person: Person, pin: str) -> None:
    """Give a person a PIN, or a new one, which also ends a lock-out."""
    _check_keeper(by, person)
    if person.role == ADMINISTRATOR:
        raise Refused("An administrator signs in with the password; a few digits are too few for that role.")
    if person.plant_id is None:
        raise Refused("A PIN needs a plant whose tablets it opens.")
    weak = pins.weakness(pin)
    if weak:
        raise Refused(weak, field="pin")
    person.pin_hash = make_password(pin)
    _store_pin(by, at, person, "set the PIN")


def clear_pin(*, by: Any, at: datetime, person: Person) -> None:
    """Take a person's PIN away; where they act on a tablet now, that ends."""
    _check_keeper(by, person)
    person.pin_hash = ""
    _store_pin(by, at, person, "cleared the PIN")


def set_unit(*, by: Person, at: datetime, unit: str) -> None:
    """Choose the unit in which one reads and types lengths."""
    with transaction.atomic():
        Person.objects.filter(pk=by.pk).update(unit=unit)
        audit.record(by=by, action="changed", obj=by, at=at, before={"unit": by.unit}, after={"unit": unit})


def _store_pin(by: Any, at: datetime, person: Person, action: str) -> None:
    with transaction.atomic():
        Person.objects.filter(pk=person.pk).update(pin_hash=person.pin_hash, pin_failures=0, pin_locked_until=None)
        pins.forget_tries(person)
        audit.record(by=by, action=action, obj=person, at=at, plant_id=person.plant_id)


def _derive(person: Person) -> None:
    """Open the administrator's own tables to administrators alone."""
    person.is_staff = person.is_superuser = person.role == ADMINISTRATOR


def _check_keeper(by: Any, person: Person) -> None:
    if by.pk != person.pk and not keepable(by).filter(pk=person.pk).exists():
        raise NotAllowed("This person is not yours to change.")


def _check_facts(by: Any, person: Person) -> None:
    if not may(by, Permission.PEOPLE):
        raise NotAllowed("Your role does not keep the list of people.")
    if person.role not in roles_for(by):
        raise NotAllowed("Only an administrator can make an administrator.")
    if person.plant_id is None and person.role != ADMINISTRATOR:
        raise Refused("Choose the plant: only an administrator may belong to none.", field="plant")
    if person.plant_id is not None and not plants_for(by).filter(pk=person.plant_id).exists():
        raise NotAllowed("You can only put people into your own plant.")


def _check_own_way_out(by: Any, person: Person) -> None:
    """Nobody shuts themselves out: so a plant keeps a manager and the program an administrator."""
    if by.pk == person.pk and (person.role != by.role or not person.is_active or person.plant_id != by.plant_id):
        raise Refused("You cannot take away your own role, plant or access; ask somebody else of your role.")


def _check_password(password: str, person: Person) -> None:
    try:
        validate_password(password, person)
    except ValidationError as error:
        raise Refused(" ".join(error.messages), field="password") from None
