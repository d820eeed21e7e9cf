"""Small builders for tests: each makes one valid record; what a test is about it says itself."""

from __future__ import annotations

import datetime as dt
import itertools
from typing import Any

from linelog.alignment.models import Visit
from linelog.plant.building import add_template_stations
from linelog.plant.kinds import BODYMAKER_GEOMETRY
from linelog.plant.models import Line, Machine, MarkAssignment, Person, Plant, Shift

NOW = dt.datetime(2026, 6, 15, 9, 30, tzinfo=dt.UTC)
PASSWORD = "a-long-test-password"
_number = itertools.count(1)


def plant(**more: Any) -> Plant:
    """A plant with three shifts."""
    made = Plant.objects.create(**{"name": f"Plant {next(_number)}", "timezone": "Europe/Berlin", **more})
    for code, hour in (("A", 6), ("B", 14), ("C", 22)):
        Shift.objects.create(plant=made, code=code, name=f"Shift {code}", starts=dt.time(hour))
    return made


def line(of: Plant | None = None, **more: Any) -> Line:
    """A line."""
    return Line.objects.create(**{"plant": of or plant(), "name": f"Line {next(_number)}", **more})


def machine(on: Line | None = None, *, mark: str = "", **more: Any) -> Machine:
    """A bodymaker with the template's stations and, if asked, a mark."""
    made = Machine.objects.create(
        **{"line": on or line(), "name": f"BM {next(_number)}", **BODYMAKER_GEOMETRY, **more}
    )
    add_template_stations(made)
    if mark:
        MarkAssignment.objects.create(machine=made, mark=mark, starts_on=dt.date(2025, 1, 1))
    return made


def person(role: str = "mechanic", of: Plant | None = None, **more: Any) -> Person:
    """A person with PASSWORD, in a plant of their own unless one is given."""
    name = more.pop("username", f"{role}{next(_number)}")
    made_in = of if of is not None or role == "administrator" else plant()
    facts = {"role": role, "plant": made_in, "first_name": name.capitalize(), **more}
    return Person.objects.create_user(username=name, password=PASSWORD, **facts)


def visit(on: Machine | None = None, by: Person | None = None, **more: Any) -> Visit:
    """An open visit with its lockout verified."""
    at = on or machine()
    who = by or person("mechanic", at.line.plant)
    opened = more.pop("opened_at", NOW)
    return Visit.objects.create(
        **{
            "machine": at,
            "opened_by": who,
            "opened_at": opened,
            "reason": Visit.Reason.ROUTINE,
            "minutes_in_state": 60,
            "lockout_verified_by": str(who),
            "lockout_verified_at": opened,
            **more,
        }
    )
