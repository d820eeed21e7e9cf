"""Small builders for tests: each makes one valid record; what a test is about it says itself."""

from __future__ import annotations

import datetime as dt
import itertools
from typing import Any

from django.utils import timezone

from linelog.alignment.models import Lockout, Visit
from linelog.plant.building import add_template_stations
from linelog.plant.kinds import BODYMAKER_GEOMETRY
from linelog.plant.models import (
    DefectCode,
    FindingPlace,
    Line,
    Machine,
    MarkAssignment,
    Person,
    Plant,
    Shift,
    Symptom,
)
from linelog.plant.symptoms import seed
from linelog.production.days import local_day, production_day
from linelog.production.made import Told, made
from linelog.production.models import Finding

NOW = dt.datetime(2026, 6, 15, 9, 30, tzinfo=dt.UTC)
ZONE = "Europe/Berlin"
PASSWORD = "a-long-test-password"
_number = itertools.count(1)


def plant(**more: Any) -> Plant:
    """A plant with three shifts."""
    made = Plant.objects.create(**{"name": f"Plant {next(_number)}", "timezone": ZONE, **more})
    for code, hour in (("A", 6), ("B", 14), ("C", 22)):
        Shift.objects.create(plant=made, code=code, name=f"Shift {code}", starts=dt.time(hour))
    return made


def counted_today() -> dt.date:
    """The production day that it is now in such a plant: before its day starts, still yesterday."""
    return production_day(Plant(timezone=ZONE), timezone.now())


def today() -> dt.date:
    """The date on the wall clock of such a plant now."""
    return local_day(Plant(timezone=ZONE), timezone.now())


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


def visit(on: Machine | None = None, by: Person | None = None, *, locked_out: bool = True, **more: Any) -> Visit:
    """An open visit; unless told otherwise its lockout stands, for whatever clock a test goes by."""
    at = on or machine()
    who = by or person("mechanic", at.line.plant)
    opened = more.pop("opened_at", NOW)
    made = Visit.objects.create(
        **{
            "machine": at,
            "opened_by": who,
            "opened_at": opened,
            "reason": Visit.Reason.ROUTINE,
            "minutes_in_state": 60,
            **more,
        }
    )
    if locked_out and made.is_open:
        lockout(made, who)
    return made


def lockout(of: Visit, by: Person, **more: Any) -> Lockout:
    """A lockout of a visit, verified when it was opened; it stands for years unless told otherwise."""
    at = more.pop("verified_at", of.opened_at)
    facts = {"verified_by": str(by), "verified_at": at, "runs_out_at": at + dt.timedelta(days=3650)}
    return Lockout.objects.create(**{"visit": of, "logged_by": by, "logged_at": at, **facts, **more})


def finding_lists(of: Plant) -> None:
    """The places, defect codes and symptoms that a new plant begins with."""
    seed(of, places=FindingPlace, codes=DefectCode, symptoms=Symptom)


def finding(of: Plant, by: Person, *, told: Told | None = None, **more: Any) -> Finding:
    """A finding of one can, made and found on the day of NOW unless `told` otherwise."""
    when = made(of, told or Told(NOW.date()), NOW)
    found_on = told.found_on if told else NOW.date()
    given = {"place": None, "code": None, "quantity": 1, "mark": "", "by": by, "at": NOW, **more}
    given["place"] = given["place"] or FindingPlace.objects.get_or_create(plant=of, name="Bench")[0]
    given["code"] = given["code"] or DefectCode.objects.get_or_create(plant=of, code="OFF", name="Off")[0]
    return Finding.objects.create(
        plant=of,
        found_on=found_on,
        made_by=when.by,
        made_on=when.on,
        made_from=when.begins,
        made_to=when.ends,
        **given,
    )
