"""At least one row in every table of ours, with values that are easily lost on the way."""

from __future__ import annotations

import datetime as dt
import random
import uuid
from pathlib import Path

from axes.models import AccessAttempt
from django.contrib.admin.models import CHANGE, LogEntry
from django.contrib.auth.models import Group, Permission
from django.contrib.contenttypes.models import ContentType
from django.contrib.sessions.models import Session
from django_tasks_db.models import DBTaskResult

from linelog.alignment.models import (
    AmendedReading,
    AmendedResult,
    Amendment,
    BarSetup,
    BumpTest,
    BushingClearance,
    BushingFitted,
    BushingPosition,
    CaptureLimit,
    PersonalLock,
    Photo,
    Probe,
    ProbeSetup,
    Reading,
    SetByFitting,
    Signature,
    Visit,
)
from linelog.planning.models import CalendarAddress, CrewWeek, PlannedPart, PlannedVisit, StopWindow
from linelog.plant.models import Fitting, LimitRule, LockoutProcedure, RamSection, ToolPart
from linelog.production.models import CountChange, DayCount, Event, FindingPhoto, ShiftCount, SpoilageCause, Upload
from linelog.production.services import walls
from linelog.production.walls import Can, Ring
from linelog.trends.models import Fit, MachineDrift, Piece, RepeatProblem, Signal, Stale, Stretch, TakeUp
from linelog.web import audit
from linelog.web.models import Job, NightlyRun, PinTries, Tablet, WorkerBeat, WriteKey
from tests import factories
from tests.alignment.test_signed_protected import signed

AT = dt.datetime(2026, 3, 29, 1, 30, 0, 123457, tzinfo=dt.UTC)  # to the microsecond, which JSON writers like to drop
NASTY = 'é µm "quoted" \\ back, 日本, \u2028 line\r\nand a tab\t'


def kept(media: Path, name: str, content: bytes) -> str:
    (media / name).parent.mkdir(parents=True, exist_ok=True)
    (media / name).write_bytes(content)
    return name


def fill(media: Path) -> None:
    """A row of everything, and the files that belong to some."""
    visit, _ = signed()
    fill_plant(visit.machine)
    open_visit = fill_log(media, visit)
    fill_visit(visit, open_visit, visit.opened_by)
    fill_production(media, visit)
    fill_trends(visit)
    fill_planning(visit)
    fill_web(visit)
    fill_framework(visit.opened_by)


def fill_plant(machine) -> None:
    plant = machine.line.plant
    tooling = plant.tooling_sets.create(name="Set A", retired_on=dt.date(2024, 2, 29))
    ToolPart.objects.create(tooling_set=tooling, kind="punch", diameter_mm=65.0 / 3.0, cans_run=2**40)
    Fitting.objects.create(tooling_set=tooling, machine=machine, fitted_at=AT)
    RamSection.objects.create(machine=machine, order=1, length_mm=100.0 / 3.0, outside_mm=60.0)


def fill_log(media: Path, visit) -> Visit:
    """Photos, probes, amendments; returns a visit that is open."""
    machine, by, plant = visit.machine, visit.opened_by, visit.machine.line.plant
    factories.visit(factories.machine(machine.line, mark="4711"), by, note=NASTY, opened_at=AT, oil_c=0.1 + 0.2)
    Amendment.objects.create(visit=visit, reason=NASTY, by=by, at=AT)
    open_visit = Visit.objects.get(opened_at=AT)
    photo = kept(media, "photos/2026/03/a.jpg", random.Random(1).randbytes(70_000))
    Photo.objects.create(visit=open_visit, file=photo, sha256="x", width=1, height=1, by=by, at=AT)
    CaptureLimit.objects.create(plant=plant, drift_um=0.1 + 0.2)
    Probe.objects.create(setup=ProbeSetup.objects.get(), order=0, column=NASTY[:9], angle_deg=1, scale_um_per_unit=-1)
    BumpTest.objects.create(setup=ProbeSetup.objects.get(), by=by, at=AT, ring={}, seen=[[NASTY]], right=False)
    Signature.objects.create(visit=open_visit, name=NASTY, role="mechanic", names={"machine": NASTY})
    return open_visit


def fill_visit(signed_visit, visit, by) -> None:
    """What hangs on visits, bushings and limits, with a row of each kind."""
    done, plant = {"by": by, "at": AT}, visit.machine.line.plant
    stations = visit.machine.stations
    front, domer = stations.get(kind="front_bushing"), stations.get(kind="domer")
    LimitRule.objects.create(plant=plant, kind="domer", limit_um=0.1 + 0.2, speed_from_spm=300, from_on=AT.date())
    LockoutProcedure.objects.create(plant=plant, isolation_points=NASTY)
    amendment = Amendment.objects.filter(visit=signed_visit).first()
    reading = Reading.objects.filter(sweep__visit=signed_visit).first()
    AmendedReading.objects.create(amendment=amendment, reading=reading, value_um=1.0 / 3.0, typed="0.3", unit="um")
    AmendedResult.objects.create(amendment=amendment, x_um=1e-17, y_um=1, radial_um=1, expanded_um=2, verdict="in",
                                 u_x_um=1e-17, severity=0.1 + 0.2, algorithm="sweep-2")  # fmt: skip
    BarSetup.objects.create(visit=visit, centring_um=0.1 + 0.2, unit="um", note=NASTY[:20], **done)
    SetByFitting.objects.create(visit=visit, station=domer, fitting=NASTY[:20], **done)
    judged = {"limit_um": 80, "verdict": "in", "severity": 0.1 + 0.2, "expanded_um": 9}
    of_front = {"visit": visit, "station": front, **done}
    BushingClearance.objects.create(
        stage="as_found", up_down_um=40, clearance_up_down_um=40, clearance_um=40, unit="um", algorithm="1",
        **of_front, **judged,
    )  # fmt: skip
    BushingPosition.objects.create(
        stage="as_found", reference="bed", x_um=1e-17, y_um=1, view="crank", unit="um", **of_front, **judged
    )
    BushingFitted.objects.create(fitted_on=AT.date(), note=NASTY[:20], **of_front)
    PersonalLock.objects.create(lockout=visit.lockouts.first(), name=NASTY[:20], on_at=AT)


def fill_production(media: Path, visit) -> None:
    """Counts, uploads, events, findings and a measured can."""
    machine, by, plant = visit.machine, visit.opened_by, visit.machine.line.plant
    shift = plant.shifts.first()
    job = Job.objects.create(kind="k", created_at=AT, plant_id=plant.pk)
    name = kept(media, "uploads/2026/03/b.counts", "day;cans\n".encode("utf-16") * 500)
    kept(media, f"{name}.rows", b"")  # rows that wait, which no column names
    upload = Upload.objects.create(plant=plant, by=by, at=AT, name=NASTY[:20], file=name, sha256="y", size=9, job=job,
                                   problems=[{"line": 3, "why": NASTY}, None, 1.5])  # fmt: skip
    SpoilageCause.objects.create(plant=plant, code="T", name="Tear-offs")
    ShiftCount.objects.create(
        machine=machine, day=AT.date(), shift=shift, cans=2**33, by_cause={"T": 2}, upload=upload
    )
    DayCount.objects.create(machine=machine, day=AT.date(), cans=1)
    CountChange.objects.create(machine=machine, day=AT.date(), shift=shift, before={}, by=by, at=AT)
    Event.objects.create(machine=machine, at=AT, kind="jam", by=by)
    factories.finding_lists(plant)
    finding = factories.finding(plant, by, mark="7?", note=NASTY, machine=machine)
    shot = kept(media, "findings/2026/03/c.jpg", random.Random(2).randbytes(9_000))
    FindingPhoto.objects.create(finding=finding, file=shot, sha256="z", width=1, height=1, by=by, at=AT)
    readings = tuple((angle, 100.0 + angle / 70.0, "0.1") for angle in (0.0, 90.0, 180.0, 270.0))
    can = Can(machine, AT, "domer", 1.0, "mm", (Ring(60.0, readings), Ring(110.0, readings)), note=NASTY[:20])
    walls.enter(by=by, at=AT, can=can)


def fill_trends(visit) -> None:
    """What is added up, fitted and signalled."""
    machine, by, plant = visit.machine, visit.opened_by, visit.machine.line.plant
    summed = {"machine": machine, "first_day": AT.date(), "last_day": AT.date(), "by_cause": {"T": 2}}
    Stretch.objects.create(until_visit=visit, found=1e-3, places=[{"station": 1}], **summed)
    Piece.objects.create(month=AT.date(), severity=0.1 + 0.2, by_station={"domer": 0.3}, **summed)
    Fit.objects.create(plant=plant, kind="k", made_at=AT, result={"effect": 1e-17}, sentence=NASTY)
    Stale.objects.get_or_create(machine=machine, defaults={"since": AT})
    MachineDrift.objects.create(machine=machine, at=AT, due_million=0.1 + 0.2, since=AT.date(), places=[{"u": 1e-17}])
    days = {"noticed_on": AT.date(), "last_on": AT.date(), "times": 3, "looked_at": 5, "refitted_at": AT}
    problem = RepeatProblem.objects.create(
        machine=machine, key="machine", kind="machine", pattern="up", mean_deg=0.1 + 0.2, **days
    )
    TakeUp.objects.create(problem=problem, cause_found=NASTY, action=NASTY, action_on=AT.date(), by=by, at=AT)
    about = {"measure": "tear_offs", "rule": "limit", "up": True, "day": AT.date(), "began_on": AT.date()}
    answer = {"cause": "other", "found": NASTY, "closed_by": by, "closed_at": AT, "owner": by, "refitted_at": AT}
    Signal.objects.create(machine=machine, rate=0.1 + 0.2, centre=1e-17, counts=9, made=10**12, **about, **answer)


def fill_planning(visit) -> None:
    machine, by, plant = visit.machine, visit.opened_by, visit.machine.line.plant
    stop = StopWindow.objects.create(plant=plant, starts_at=AT, ends_at=AT + dt.timedelta(hours=8), note=NASTY[:20])
    entry = PlannedVisit.objects.create(
        machine=machine, week=AT.date(), window=stop, hours=0.1 + 0.2, made_at=AT, changed_at=AT
    )
    PlannedPart.objects.create(entry=entry, window=stop, starts_at=AT, hours=0.1)
    CrewWeek.objects.create(plant=plant, week=AT.date(), hours=0.1 + 0.2)
    CalendarAddress.objects.create(line=machine.line, digest="d", label=NASTY[:20], made_by=by, made_at=AT)


def fill_web(visit) -> None:
    """History, tablets, jobs and what is kept about them."""
    by, plant = visit.opened_by, visit.machine.line.plant
    audit.record(by=by, action="did", obj=visit, at=AT, before={"a": None, "b": [1, NASTY]})
    WriteKey.objects.create(actor_id=by.pk, key="k", digest="d", answer={"v": 1e-17}, at=AT)
    tablet = Tablet.objects.create(account_id=by.pk, plant_id=plant.pk, signed_in_at=AT)
    NightlyRun.objects.create(plant_id=plant.pk, night=AT.date(), job_id=1, offered_at=AT, ended_at=AT)
    PinTries.objects.create(person_id=by.pk, tablet_id=tablet.pk, failures=2, failed_at=AT)
    WorkerBeat.objects.create(name="w", at=AT)


def fill_framework(by) -> None:
    """Groups, rights, sessions and tasks."""
    group = Group.objects.create(name="g")
    group.permissions.add(Permission.objects.first())
    by.groups.add(group)
    by.user_permissions.add(Permission.objects.last())
    LogEntry.objects.create(user=by, content_type=ContentType.objects.first(), action_flag=CHANGE, object_repr="o")
    AccessAttempt.objects.create(username="u", ip_address="::1", get_data="", post_data="", failures_since_start=1)
    DBTaskResult.objects.create(id=uuid.uuid4(), enqueued_at=AT, run_after=AT, args_kwargs={"args": [None]},
                                task_path="t", exception_class_path="", traceback="")  # fmt: skip
    Session.objects.create(session_key="open-session", session_data="s", expire_date=AT)
    Group.objects.create(name="deleted").delete()  # its number must not be given out again
