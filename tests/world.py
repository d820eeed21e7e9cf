"""A plant with one of everything, to fill in the parts of an address or to be looked at page by page."""

from __future__ import annotations

import datetime as dt
from functools import cached_property
from typing import Any

from django.core.files.base import ContentFile
from django.utils import timezone

from linelog.alignment.models import MoveMade, PersonalLock, Photo, Sweep
from linelog.alignment.services import captures
from linelog.planning.models import PlannedVisit, StopWindow
from linelog.planning.services import calendars
from linelog.plant.models import (
    Adjuster,
    DefectCode,
    FindingPlace,
    Fitting,
    LimitRule,
    Person,
    Shift,
    ShimStock,
    Symptom,
    ToolingSet,
    ToolPart,
)
from linelog.production.models import Event, FindingPhoto, ShiftCount, SpoilageCause
from linelog.production.services import uploads, walls
from linelog.production.walls import Can, Ring
from linelog.trends.models import RepeatProblem, Signal, TakeUp
from linelog.web.models import Job, Tablet
from tests import factories
from tests.alignment import capturing


class World:
    """One plant with one of everything; each made when an address first asks for it, unless it is given."""

    def __init__(self, **given: Any) -> None:
        self.__dict__.update(given)

    @cached_property
    def plant(self) -> Any:
        return factories.plant()

    @cached_property
    def machine(self) -> Any:
        return factories.machine(factories.line(self.plant), mark="7")

    @cached_property
    def line(self) -> Any:
        return self.machine.line

    @cached_property
    def station(self) -> Any:
        return self.machine.stations.get(kind="domer")

    @cached_property
    def limit_rule(self) -> Any:
        return LimitRule.objects.create(
            plant=self.machine.line.plant, kind="domer", limit_um=20.0, from_on=factories.NOW.date()
        )

    @cached_property
    def bushing(self) -> Any:
        return self.machine.stations.get(kind="front_bushing")

    @cached_property
    def adjuster(self) -> Any:
        return Adjuster.objects.filter(station=self.station).first()

    @cached_property
    def mark(self) -> Any:
        return self.machine.marks.get()

    @cached_property
    def shift(self) -> Any:
        return Shift.objects.filter(plant=self.plant).first()

    @cached_property
    def stock(self) -> Any:
        return ShimStock.objects.filter(plant=self.machine.line.plant).first()

    @cached_property
    def tooling_set(self) -> Any:
        return ToolingSet.objects.create(plant=self.plant, name="Set 1")

    @cached_property
    def tool_part(self) -> Any:
        return ToolPart.objects.create(tooling_set=self.tooling_set, kind="punch", diameter_mm=66.0)

    @cached_property
    def fitting(self) -> Any:
        at = factories.NOW - dt.timedelta(days=9)
        return Fitting.objects.create(tooling_set=self.tooling_set, machine=self.machine, fitted_at=at)

    @cached_property
    def visit(self) -> Any:
        return factories.visit(self.machine, self.person("mechanic"))

    @cached_property
    def own_lock(self) -> Any:
        lockout = self.visit.lockouts.first() or factories.lockout(self.visit, self.person("mechanic"))
        return PersonalLock.objects.create(lockout=lockout, name="A. Mechanic", on_at=factories.NOW)

    @cached_property
    def sweep(self) -> Any:
        return Sweep.objects.create(visit=self.visit, station=self.station, stage="as_found")

    @cached_property
    def move(self) -> Any:
        who = self.person("mechanic")
        return MoveMade.objects.create(
            visit=self.visit, station=self.station, unit="mm", words="none", by=who, at=factories.NOW
        )

    @cached_property
    def photo(self) -> Any:
        more = {"sha256": "0" * 64, "width": 1, "height": 1, "by": self.person("mechanic"), "at": factories.NOW}
        return Photo.objects.create(visit=self.visit, file=ContentFile(b"a picture", "picture.jpg"), **more)

    @cached_property
    def probe_setup(self) -> Any:
        return capturing.setup(self.machine)

    @cached_property
    def capture(self) -> Any:
        by, setup = self.person("mechanic"), self.probe_setup
        return captures.receive(
            by=by,
            at=timezone.now(),
            machine=self.machine,
            recorded=captures.Recorded(setup, factories.NOW - dt.timedelta(days=300)),
            file=ContentFile(capturing.as_csv(capturing.frame()), "run.csv"),
            limit_bytes=9_000_000,
        )

    @cached_property
    def count(self) -> Any:
        return ShiftCount.objects.create(machine=self.machine, shift=self.shift, day=factories.NOW.date(), cans=9)

    @cached_property
    def cause(self) -> Any:
        return SpoilageCause.objects.create(plant=self.plant, code="DENT", name="Dent")

    @cached_property
    def event(self) -> Any:
        who = self.person("quality")
        return Event.objects.create(machine=self.machine, at=factories.NOW, kind="jam", by=who)

    @cached_property
    def repeat(self) -> Any:
        figures = {"pattern": "same_way", "times": 3, "looked_at": 5, "refitted_at": factories.NOW}
        days = {"noticed_on": factories.NOW.date(), "last_on": factories.NOW.date()}
        about = {"kind": "station", "key": f"station:{self.station.pk}:static", "station": self.station}
        return RepeatProblem.objects.create(machine=self.machine, method="static", **about, **figures, **days)

    @cached_property
    def signal(self) -> Any:
        day = factories.NOW.date()
        figures = {"rate": 60.0, "centre": 40.0, "counts": 24, "made": 400_000}
        about = {"measure": "tear_offs", "rule": "line", "up": True, "day": day, "began_on": day}
        return Signal.objects.create(machine=self.machine, refitted_at=factories.NOW, **about, **figures)

    @cached_property
    def taken_up(self) -> Any:
        said = {"cause_found": "slack", "action": "tightened", "action_on": factories.NOW.date()}
        return TakeUp.objects.create(problem=self.repeat, by=self.person("mechanic"), at=factories.NOW, **said)

    @cached_property
    def place(self) -> Any:
        return FindingPlace.objects.create(plant=self.plant, name="Bench")

    @cached_property
    def code(self) -> Any:
        return DefectCode.objects.create(plant=self.plant, code="OFF", name="Dome off centre")

    @cached_property
    def symptom(self) -> Any:
        return Symptom.objects.create(code=self.code, station_kind="domer", aspect="parallel", words="It stands off.")

    @cached_property
    def finding(self) -> Any:
        who = self.person("quality")
        return factories.finding(self.plant, who, place=self.place, code=self.code, mark=self.mark.mark)

    @cached_property
    def complaint(self) -> Any:
        who = self.person("quality")
        return factories.finding(self.plant, who, place=self.place, code=self.code, complaint="C-1")

    @cached_property
    def finding_photo(self) -> Any:
        more = {"sha256": "0" * 64, "width": 1, "height": 1, "by": self.person("quality"), "at": factories.NOW}
        return FindingPhoto.objects.create(finding=self.finding, file=ContentFile(b"a picture", "it.jpg"), **more)

    @cached_property
    def upload(self) -> Any:
        heading = b"machine,date,shift,cans,spoiled,tear_offs,short_cans,jams,minutes_down"
        file = ContentFile(heading + b"\nnobody,2026-03-01,A,1,0,0,0,0,0\n", "counts.csv")
        at = timezone.now()
        return uploads.receive(by=self.person("quality"), at=at, plant=self.plant, file=file, limit_bytes=1000)

    @cached_property
    def wall_sample(self) -> Any:
        readings = tuple((angle, 100.0 + angle / 60.0, "0.1") for angle in (0.0, 90.0, 180.0, 270.0))
        taken = factories.NOW - dt.timedelta(days=1)
        can = Can(self.machine, taken, "crank", 1.0, "mm", (Ring(60.0, readings),))
        return walls.enter(by=self.person("quality"), at=factories.NOW, can=can)

    @cached_property
    def job(self) -> Any:
        return Job.objects.create(kind="test", plant_id=self.plant.pk, created_at=factories.NOW)

    @cached_property
    def tablet(self) -> Any:
        account = self.person("manager")
        return Tablet.objects.create(account_id=account.pk, plant_id=self.plant.pk, signed_in_at=factories.NOW)

    @cached_property
    def colleague(self) -> Any:
        return factories.person("mechanic", self.plant, pin_hash="x")

    @cached_property
    def planned(self) -> Any:
        week, now = dt.date(2026, 6, 15), factories.NOW
        return PlannedVisit.objects.create(
            machine=self.machine, week=week, hours=4.0, reason="Due.", made_at=now, changed_at=now
        )

    @cached_property
    def stop(self) -> Any:
        ends = factories.NOW + dt.timedelta(hours=8)
        return StopWindow.objects.create(plant=self.plant, starts_at=factories.NOW, ends_at=ends)

    @cached_property
    def _calendar(self) -> Any:
        return calendars.make(by=self.person("manager"), at=factories.NOW, line=self.line, label="Wall screen")

    @cached_property
    def calendar(self) -> Any:
        return self._calendar[0]

    @cached_property
    def calendar_secret(self) -> str:
        return self._calendar[1]

    @cached_property
    def display_secret(self) -> str:
        about = {"line": self.line, "label": "Wall of line 1", "kind": "display"}
        return calendars.make(by=self.person("manager"), at=factories.NOW, **about)[1]

    @cached_property
    def _people(self) -> dict[str, Person]:
        return {}

    def person(self, role: str) -> Person:
        """The plant's person of this role (the administrator belongs to none)."""
        if role not in self._people:
            outside = role == "administrator"
            more = {"is_staff": outside, "is_superuser": outside}  # as the service derives them from the role
            self._people[role] = factories.person(role, None if outside else self.plant, **more)
        return self._people[role]
