"""Make a backup while the program is in use: one moment of the database, then the kept files."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import datetime
from functools import partial
from pathlib import Path

from django.apps import apps
from django.db import DEFAULT_DB_ALIAS, connections, transaction
from django.db.migrations.recorder import MigrationRecorder
from django.db.models import FileField, Model

from linelog.web.backup import archive, tables


def make(path: Path, *, media: Path, at: datetime, using: str = DEFAULT_DB_ALIAS) -> archive.Manifest:
    """Write a backup to `path`, which must not be there yet, and return its manifest once it was read back whole."""
    models = tables.backed_up(apps)
    with one_moment(using) as then, archive.written(path) as writer:
        for model in models:
            name = f"{archive.TABLES}{model._meta.db_table}.jsonl"
            writer.add(name, tables.lines(model, then), is_table=True)
        # A file is on the disk before the row that names it is committed: every file of the moment is there now.
        kept = set(_add_files(writer, media))
        writer.close(
            {
                "made_at": at.isoformat(),
                "engine": connections[then].vendor,
                "migrations": sorted(MigrationRecorder(connections[then]).applied_migrations()),
                "columns": {model._meta.db_table: tables.columns(model) for model in models},
                "last_ids": tables.last_ids(models, then),
                "missing_files": sorted(_named(models, then) - kept),
            }
        )
    return archive.verified(path)


@contextmanager
def one_moment(using: str) -> Iterator[str]:
    """Give a connection of its own that sees the database as it stands now, and holds up no writer."""
    alias = f"{using}_backup"
    connection = connections[using].copy(alias)
    if connection.vendor == "sqlite":
        # The program's own connections take the write lock at once; a reader must not.
        connection.settings_dict["OPTIONS"]["transaction_mode"] = "DEFERRED"
    connections[alias] = connection
    try:
        with transaction.atomic(using=alias), connection.cursor() as cursor:
            if connection.vendor == "postgresql":
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
            cursor.execute("SELECT count(*) FROM django_migrations")  # the moment is that of the first reading
            cursor.fetchone()
            yield alias
    finally:
        connection.close()
        del connections[alias]


def _add_files(writer: archive.Writer, media: Path) -> Iterator[str]:
    for path in sorted(media.rglob("*")):
        if path.is_symlink() or not path.is_file():
            continue
        try:
            file = path.open("rb")
        except FileNotFoundError:  # a file of passing use, gone since the folder was read
            continue
        name = path.relative_to(media).as_posix()
        with file:
            writer.add(f"{archive.FILES}{name}", iter(partial(file.read, archive.BLOCK), b""))
        yield name


def _named(models: Iterable[type[Model]], using: str) -> set[str]:
    """Return the files that rows speak of."""
    return {
        name
        for model in models
        for field in model._meta.concrete_fields
        if isinstance(field, FileField)
        for name in model._base_manager.using(using).values_list(field.attname, flat=True)
        if name
    }
