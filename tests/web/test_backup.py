"""A backup made while the program is in use holds one moment, goes into either database, and shows any damage."""

import contextlib
import datetime as dt
import io
import json
import random
import threading
import uuid
import zipfile
from importlib import import_module
from pathlib import Path

import pytest
from axes.models import AccessAttempt
from django.apps import apps
from django.contrib.admin.models import CHANGE, LogEntry
from django.contrib.auth.models import Group, Permission
from django.contrib.contenttypes.models import ContentType
from django.contrib.sessions.models import Session
from django.core.management import CommandError, call_command
from django.db import IntegrityError, connection, connections, transaction
from django.db.migrations.executor import MigrationExecutor
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
from linelog.planning.models import CalendarAddress, PlannedVisit, StopWindow
from linelog.plant.models import Fitting, LimitRule, LockoutProcedure, Person, RamSection, ToolPart
from linelog.production.models import (
    CountChange,
    DayCount,
    Event,
    FindingPhoto,
    ShiftCount,
    SpoilageCause,
    Upload,
)
from linelog.production.services import walls
from linelog.production.walls import Can, Ring
from linelog.trends.models import Around, Fit, MachineDrift, Piece, RepeatProblem, Signal, Stale, Stretch, TakeUp
from linelog.web import audit
from linelog.web.backup import archive, making, restoring, tables
from linelog.web.errors import Refused
from linelog.web.models import AuditEvent, Job, NightlyRun, PinTries, Tablet, WorkerBeat, WriteKey
from tests import factories
from tests.alignment.test_signed_protected import signed

AT = dt.datetime(2026, 3, 29, 1, 30, 0, 123457, tzinfo=dt.UTC)  # to the microsecond, which JSON writers like to drop
NASTY = 'é µm "quoted" \\ back, 日本, \u2028 line\r\nand a tab\t'
LATER = ("production", "trends", "planning")  # apps whose newest tables rest on production's
OURS = ("web", "plant", "alignment", "production", "trends", "planning")


def kept(media: Path, name: str, content: bytes) -> str:
    (media / name).parent.mkdir(parents=True, exist_ok=True)
    (media / name).write_bytes(content)
    return name


def fill(media: Path) -> None:
    """At least one row in every table of ours, with values that are easily lost on the way."""
    visit, _ = signed()
    machine, by, plant = visit.machine, visit.opened_by, visit.machine.line.plant
    shift = plant.shifts.first()
    factories.visit(factories.machine(machine.line, mark="4711"), by, note=NASTY, opened_at=AT, oil_c=0.1 + 0.2)
    Amendment.objects.create(visit=visit, reason=NASTY, by=by, at=AT)
    open_visit = Visit.objects.get(opened_at=AT)
    fill_visit(visit, open_visit, by)
    photo = kept(media, "photos/2026/03/a.jpg", random.Random(1).randbytes(70_000))
    Photo.objects.create(visit=open_visit, file=photo, sha256="x", width=1, height=1, by=by, at=AT)
    tooling = plant.tooling_sets.create(name="Set A", retired_on=dt.date(2024, 2, 29))
    ToolPart.objects.create(tooling_set=tooling, kind="punch", diameter_mm=65.0 / 3.0, cans_run=2**40)
    Fitting.objects.create(tooling_set=tooling, machine=machine, fitted_at=AT)
    RamSection.objects.create(machine=machine, order=1, length_mm=100.0 / 3.0, outside_mm=60.0)
    CaptureLimit.objects.create(plant=plant, drift_um=0.1 + 0.2)
    Probe.objects.create(setup=ProbeSetup.objects.get(), order=0, column=NASTY[:9], angle_deg=1, scale_um_per_unit=-1)
    BumpTest.objects.create(setup=ProbeSetup.objects.get(), by=by, at=AT, ring={}, seen=[[NASTY]], right=False)
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
    summed = {"machine": machine, "first_day": AT.date(), "last_day": AT.date(), "by_cause": {"T": 2}}
    Stretch.objects.create(until_visit=visit, found=1e-3, places=[{"station": 1}], **summed)
    Piece.objects.create(month=AT.date(), severity=0.1 + 0.2, by_station={"domer": 0.3}, **summed)
    Around.objects.create(visit=visit, machine=machine, day=AT.date(), window=7, length=5)
    Fit.objects.create(plant=plant, kind="k", made_at=AT, result={"effect": 1e-17}, sentence=NASTY)
    Stale.objects.get_or_create(machine=machine, defaults={"since": AT})
    readings = tuple((angle, 100.0 + angle / 70.0, "0.1") for angle in (0.0, 90.0, 180.0, 270.0))
    can = Can(machine, AT, "domer", 1.0, "mm", (Ring(60.0, readings), Ring(110.0, readings)), note=NASTY[:20])
    walls.enter(by=by, at=AT, can=can)
    MachineDrift.objects.create(machine=machine, at=AT, due_million=0.1 + 0.2, since=AT.date(), places=[{"u": 1e-17}])
    stop = StopWindow.objects.create(plant=plant, starts_at=AT, ends_at=AT + dt.timedelta(hours=8), note=NASTY[:20])
    PlannedVisit.objects.create(
        machine=machine, week=AT.date(), window=stop, hours=0.1 + 0.2, made_at=AT, changed_at=AT
    )
    CalendarAddress.objects.create(line=machine.line, digest="d", label=NASTY[:20], made_by=by, made_at=AT)
    days = {"noticed_on": AT.date(), "last_on": AT.date(), "times": 3, "looked_at": 5, "refitted_at": AT}
    problem = RepeatProblem.objects.create(
        machine=machine, key="machine", kind="machine", pattern="up", mean_deg=0.1 + 0.2, **days
    )
    TakeUp.objects.create(problem=problem, cause_found=NASTY, action=NASTY, action_on=AT.date(), by=by, at=AT)
    about = {"measure": "tear_offs", "rule": "limit", "up": True, "day": AT.date(), "began_on": AT.date()}
    answer = {"found": NASTY, "closed_by": by, "closed_at": AT, "refitted_at": AT}
    Signal.objects.create(machine=machine, rate=0.1 + 0.2, centre=1e-17, counts=9, made=10**12, **about, **answer)
    audit.record(by=by, action="did", obj=visit, at=AT, before={"a": None, "b": [1, NASTY]})
    WriteKey.objects.create(actor_id=by.pk, key="k", digest="d", answer={"v": 1e-17}, at=AT)
    tablet = Tablet.objects.create(account_id=by.pk, plant_id=plant.pk, signed_in_at=AT)
    NightlyRun.objects.create(plant_id=plant.pk, night=AT.date(), job_id=1, offered_at=AT, ended_at=AT)
    PinTries.objects.create(person_id=by.pk, tablet_id=tablet.pk, failures=2, failed_at=AT)
    Signature.objects.create(visit=open_visit, name=NASTY, role="mechanic", names={"machine": NASTY})
    WorkerBeat.objects.create(name="w", at=AT)
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


def breaks(*words):
    raise OSError("the disk is full")


def everything(using: str) -> dict[str, list[tuple]]:
    """All rows of all tables, as the ORM gives them."""
    return {
        model._meta.db_table: list(model._base_manager.using(using).order_by("pk").values_list())
        for model in apps.get_models(include_auto_created=True)
        if model._meta.db_table not in tables.LEFT_OUT
    }


def all_files(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture
def media(tmp_path, settings):
    settings.MEDIA_ROOT = tmp_path / "media"
    settings.MEDIA_ROOT.mkdir()
    return settings.MEDIA_ROOT


@pytest.fixture
def made(transactional_db, media, tmp_path):
    """A database with a row of everything, its files, and a backup of both."""
    fill(media)
    path = tmp_path / "backup.zip"
    making.make(path, media=media, at=AT)
    return path


@pytest.fixture
def empty(tmp_path, transactional_db):
    """A function that gives the alias of a new database of an engine, without a table in it."""
    with contextlib.ExitStack() as over:
        yield lambda engine: over.enter_context(a_database(engine, tmp_path))


@contextlib.contextmanager
def a_database(engine: str, folder: Path):
    alias = name = f"empty_{uuid.uuid4().hex[:8]}"
    config = {**connection.settings_dict, "NAME": name}
    wrapper = type(connections["default"])
    if engine == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute(f"CREATE DATABASE {name}")
    else:
        options = {"transaction_mode": "IMMEDIATE", "init_command": "PRAGMA synchronous=OFF;"}
        config |= {"ENGINE": "django.db.backends.sqlite3", "NAME": str(folder / name), "OPTIONS": options}
        wrapper = import_module("django.db.backends.sqlite3.base").DatabaseWrapper
    connections[alias] = wrapper(config, alias)
    try:
        yield alias
    finally:
        connections[alias].close()
        del connections[alias]
        if engine == "postgresql":
            with connection.cursor() as cursor:
                cursor.execute(f"DROP DATABASE {name}")


def test_every_row_and_file_comes_back_as_it_was(made, media, empty, tmp_path, monkeypatch):
    before = everything("default")
    unfilled = [
        model.__name__
        for label in OURS
        for model in apps.get_app_config(label).get_models()
        if not before[model._meta.db_table]
    ]
    assert unfilled == [], "fill() needs a row of these, so that the comparison speaks of them"
    there, again = empty(connection.vendor), tmp_path / "again"
    with monkeypatch.context() as broken:
        broken.setattr(tables, "go_on_after", breaks)
        with pytest.raises(OSError, match="disk is full"):
            restoring.restore(made, media=again, using=there)
    assert all_files(again) == {}  # a try that breaks off leaves the place empty
    assert list(tmp_path.glob(".restoring-*")) == []
    restoring.restore(made, media=again, using=there)
    assert everything(there) == before
    assert all_files(again) == all_files(media)
    assert not Session.objects.using(there).exists()  # a backup holds no open sessions
    assert Group.objects.using(there).create(name="new").pk == Group.objects.latest("pk").pk + 2
    with pytest.raises(IntegrityError, match="signed and never changes"):
        Visit.objects.using(there).filter(state="signed").update(note="later")
    assert Person.objects.using(there).get(pk=Person.objects.first().pk).check_password(factories.PASSWORD)


@pytest.mark.postgresql_only  # which has SQLite beside it
def test_from_one_engine_to_the_other_and_back(made, media, empty, tmp_path):
    small, large = empty("sqlite"), empty("postgresql")
    restoring.restore(made, media=tmp_path / "small", using=small)
    second = tmp_path / "second.zip"
    making.make(second, media=tmp_path / "small", at=AT, using=small)
    restoring.restore(second, media=tmp_path / "large", using=large)
    assert everything(large) == everything("default")
    assert all_files(tmp_path / "large") == all_files(media)


def test_a_backup_while_others_write_holds_one_moment_and_holds_nobody_up(made, media, tmp_path, monkeypatch):
    """Each writer's transaction adds a job and a line of history; every table is read only after a further commit."""
    base = (Job.objects.count(), AuditEvent.objects.count())
    wrote, over = threading.Semaphore(0), threading.Event()

    def write():
        try:
            while not over.is_set():
                with transaction.atomic():
                    job = Job.objects.create(kind="during", created_at=AT)
                    audit.record(by=None, action="during", obj=job, at=AT)
                wrote.release()
        finally:
            connection.close()

    real = tables.lines

    def after_a_further_commit(model, using):
        while wrote.acquire(blocking=False):
            pass
        assert wrote.acquire(timeout=20), "the backup holds the writers up"
        return real(model, using)

    monkeypatch.setattr(tables, "lines", after_a_further_commit)
    writer = threading.Thread(target=write)
    writer.start()
    path = tmp_path / "during.zip"
    try:
        manifest = making.make(path, media=media, at=AT)
    finally:
        over.set()
        writer.join()
    counted = [manifest.parts[f"tables/{table}.jsonl"].rows for table in ("web_job", "web_auditevent")]
    assert counted[0] - base[0] == counted[1] - base[1]
    assert Job.objects.count() - counted[0] >= 20  # what came after the moment is not in it
    assert archive.verified(path) == manifest


# Damage


def rewritten(path: Path, change=lambda manifest: None, *, drop=(), add=(), seal=True) -> Path:
    """A copy with another manifest or other parts, sealed as if it had been made so."""
    copy = path.with_name(f"{uuid.uuid4().hex}.zip")
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(copy, "w") as new:
        for name in old.namelist():
            content = old.read(name)
            if name == archive.MANIFEST:
                manifest = json.loads(content)
                change(manifest)
                content = json.dumps(manifest).encode()
            if name not in drop:
                new.writestr(name, content)
        for name, content in add:
            new.writestr(name, content)
        new.comment = archive.SEAL + b"0" * archive.FIGURE
    if seal:
        with copy.open("r+b") as file:
            archive._seal(file)
    return copy


def damage_of(path: Path) -> str:
    with pytest.raises(archive.Damaged) as caught:
        archive.verified(path)
    return caught.value.message


def test_a_flipped_byte_is_found_wherever_it_is(made, tmp_path):
    whole, chance = made.read_bytes(), random.Random(20261125)
    bad = tmp_path / "bad.zip"
    for place in [0, 10, len(whole) - 1, *(chance.randrange(len(whole)) for _ in range(60))]:
        content = bytearray(whole)
        content[place] ^= 1 << chance.randrange(8)
        bad.write_bytes(content)
        assert damage_of(bad), place


def test_the_damaged_part_is_named_and_nothing_of_it_is_restored(made, empty, tmp_path):
    whole = made.read_bytes()
    there, bad = empty("sqlite"), tmp_path / "bad.zip"
    for part in ("tables/alignment_visit.jsonl", "files/photos/2026/03/a.jpg", archive.MANIFEST):
        with zipfile.ZipFile(made) as opened:
            about = opened.getinfo(part)
        content = bytearray(whole)
        # A local header has 30 bytes, then the name, then (zip64) 20 more before the content.
        content[about.header_offset + 30 + len(part) + 20 + about.compress_size // 3] ^= 4
        bad.write_bytes(content)
        assert part in damage_of(bad)
        with pytest.raises(archive.Damaged, match="damaged"):
            restoring.restore(bad, media=tmp_path / "again", using=there)
    assert connections[there].introspection.table_names() == []
    assert not (tmp_path / "again").exists()


def test_a_backup_cut_off_or_with_parts_missing_added_or_changed_is_refused(made, tmp_path):
    whole = made.read_bytes()
    for length in (0, 100, len(whole) // 2, len(whole) - 1):
        cut = tmp_path / "cut.zip"
        cut.write_bytes(whole[:length])
        assert "damaged" in damage_of(cut)
    name = "tables/alignment_reading.jsonl"
    assert f"{name} is missing" in damage_of(rewritten(made, drop=[name]))
    assert "tables/more.jsonl is not in the manifest" in damage_of(rewritten(made, add=[("tables/more.jsonl", b"")]))
    assert f"{name} is damaged" in damage_of(
        rewritten(made, lambda said: said["parts"][name].update(size=said["parts"][name]["size"] - 1))
    )
    assert f"{name} has 1 rows, not 7" in damage_of(rewritten(made, lambda said: said["parts"][name].update(rows=7)))
    assert f"{name} is not among the parts" in damage_of(
        rewritten(made, lambda said: said["parts"].pop(name), drop=[name])
    )
    assert "manifest.json is missing or damaged" in damage_of(rewritten(made, drop=[archive.MANIFEST]))
    assert "manifest.json is missing or damaged" in damage_of(rewritten(made, lambda said: said.pop("migrations")))
    assert "not as it was written" in damage_of(rewritten(made, seal=False))
    archive.verified(rewritten(made))  # the copying itself is not what is refused


@pytest.mark.parametrize(
    "name",
    ["files/../out.txt", "files//etc/out.txt", "/etc/out.txt", "files/a/../../out.txt", "files/..\\out.txt",
     "files/c:/out.txt", "out.txt", "files/"],
)  # fmt: skip
def test_no_part_is_written_outside_the_folder_of_kept_files(made, tmp_path, name):
    part = {"size": 1, "sha256": "ca978112ca1bbdcafac231b39a23dc4da786eff8147c4e72b9807785afee48bb"}  # of 'a'
    bad = rewritten(made, lambda said: said["parts"].update({name: part}), add=[(name, b"a")])
    assert "leads out of the folder" in damage_of(bad)
    with pytest.raises(Refused, match="leads out of the folder"):
        restoring.restore(bad, media=tmp_path / "again")
    with zipfile.ZipFile(bad) as opened, pytest.raises(archive.Damaged):
        archive.unpack(opened, archive.Part(name, 1, part["sha256"]), tmp_path / "again")
    assert not list(tmp_path.rglob("out.txt"))


# Where it may go, and which version


def test_only_an_empty_place_takes_a_backup(made, media, empty, tmp_path):
    with pytest.raises(Refused, match="database is not empty"):
        restoring.restore(made, media=tmp_path / "again")
    there = empty("sqlite")
    with pytest.raises(Refused, match=r"folder of kept files is not empty"):
        restoring.restore(made, media=media, using=there)
    assert connections[there].introspection.table_names() == []
    with pytest.raises(Refused, match="there already"):
        making.make(made, media=media, at=AT)


def test_a_backup_of_a_later_version_is_refused_by_name(made, empty, tmp_path):
    later = rewritten(made, lambda said: said["migrations"].append(["plant", "0999_of_tomorrow"]))
    with pytest.raises(Refused, match="later version of the program: it has plant 0999_of_tomorrow"):
        restoring.restore(later, media=tmp_path / "again", using=empty("sqlite"))


def test_a_backup_of_an_earlier_version_is_brought_up_to_date(transactional_db, empty, media, tmp_path, monkeypatch):
    old, new = empty("sqlite"), empty("sqlite")
    executor = MigrationExecutor(connections[old])
    leaves = [key for key in executor.loader.graph.leaf_nodes() if key[0] not in LATER]
    then = executor.migrate([*leaves, ("production", "0001_initial")]).apps
    then.get_model("plant", "Plant").objects.using(old).create(name="Before", timezone="Europe/Berlin")
    monkeypatch.setattr(making, "apps", then)
    path = tmp_path / "old.zip"
    making.make(path, media=media, at=AT, using=old)
    restoring.restore(path, media=tmp_path / "again", using=new)
    assert apps.get_model("plant", "Plant").objects.using(new).get().name == "Before"
    assert Upload.objects.using(new).count() == 0  # its table has today's columns
    call_command("migrate", check_unapplied=True, database=new, verbosity=0)


# The commands


def run(*words) -> str:
    out = io.StringIO()
    call_command(*words, stdout=out, stderr=out)
    return out.getvalue()


def test_the_commands_say_what_they_did(transactional_db, media, tmp_path):
    fill(media)
    files = sum(path.is_file() for path in media.rglob("*")) - 1
    (media / "photos/2026/03/a.jpg").unlink()
    folder = tmp_path / "backups"
    folder.mkdir()
    said = run("backup", folder)
    (path,) = folder.iterdir()
    assert path.name.startswith("linelog-20")
    assert path.stat().st_mode & 0o077 == 0  # it holds what the database holds
    assert "not in it: photos/2026/03/a.jpg" in said
    assert f" {files} files." in said
    said = run("verify", path)
    assert said.startswith("Sound.")
    assert "Missing when it was made: photos/2026/03/a.jpg" in said
    with pytest.raises(CommandError, match="not empty"):
        run("restore", path)
    with pytest.raises(CommandError, match="There is no file"):
        run("verify", folder / "none.zip")
    with pytest.raises(CommandError, match="No backup was made"):
        run("backup", tmp_path / "no such folder" / "a.zip")
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    with pytest.raises(CommandError, match="damaged: it can't be restored"):
        run("verify", path)
    with pytest.raises(CommandError, match=r"damaged.*Nothing was restored"):
        run("restore", path)


def test_a_backup_that_fails_leaves_no_half_file(transactional_db, media, tmp_path, monkeypatch):
    monkeypatch.setattr(tables, "last_ids", breaks)
    with pytest.raises(CommandError, match="disk is full"):
        run("backup", tmp_path / "a.zip")
    assert [path.name for path in tmp_path.iterdir()] == ["media"]
