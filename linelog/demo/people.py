"""The accounts of the demonstration plant, and how they are shown to whoever starts it."""

from __future__ import annotations

from django.contrib.auth.hashers import make_password

from linelog.demo.scenario import Scenario
from linelog.plant.models import Person, Plant
from linelog.web.permissions import Role


def add(scenario: Scenario, plant: Plant) -> dict[str, Person]:
    """Store everybody, by user name. The one password is hashed once: hashing is slow on purpose."""
    password = make_password(scenario.password)
    people = []
    for who in scenario.people:
        is_administrator = who.role == Role.ADMINISTRATOR
        people.append(
            Person(
                username=who.username,
                first_name=who.first_name,
                last_name=who.last_name,
                role=who.role,
                unit=who.unit,
                plant=plant,
                password=password,
                pin_hash=make_password(who.pin) if who.pin else "",
                is_staff=is_administrator,
                is_superuser=is_administrator,
            )
        )
    Person.objects.bulk_create(people)
    return {person.username: person for person in people}


def table(scenario: Scenario) -> str:
    """Return the sign-ins as a small table, for the terminal."""
    rows = [("User name", "Password", "PIN", "Who"), ("-" * 13, "-" * len(scenario.password), "-" * 4, "-" * 20)]
    for who in scenario.people:
        name = f"{who.first_name} {who.last_name}, {who.role}"
        rows.append((who.username, scenario.password, who.pin or "none", name))
    widths = [max(len(row[column]) for row in rows) for column in range(3)]
    lines = [
        "  ".join([*(cell.ljust(width) for cell, width in zip(row, widths, strict=False)), row[3]]) for row in rows
    ]
    return "\n".join(lines)
