"""A backup made while the program is in use holds one moment, goes into either database, and shows any damage."""

import contextlib
import io
import json
import random
import threading
import uuid
import zipfile
from importlib import import_module
from pathlib import Path

import pytest
from django.apps import apps
from django.contrib.auth.models import Group
from django.contrib.sessions.models import Session
from django.core.management import CommandError, call_command
from django.db import IntegrityError, connection, connections, transaction
from django.db.migrations.executor import MigrationExecutor

from linelog.alignment.models import (
    Visit,
)
from linelog.plant.models import Person
from linelog.production.models import (
    Upload,
)
from linelog.web import audit
from linelog.web.backup import archive, making, restoring, tables
from linelog.web.errors import Refused
from linelog.web.models import AuditEvent, Job
from tests import factories
from tests.web.filled import AT, fill

LATER = ("production", "trends", "planning")  # apps whose newest tables rest on production's
OURS = ("web", "plant", "alignment", "production", "trends", "planning")


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
