"""Put a backup into an empty place: an empty database and an empty folder of kept files, of either engine."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from django.apps import apps
from django.core.management import call_command
from django.db import DEFAULT_DB_ALIAS, connections, transaction
from django.db.migrations.executor import MigrationExecutor

from linelog.web import protection
from linelog.web.backup import archive, tables
from linelog.web.errors import Refused
from linelog.web.sql import statement

# What a database that was never used may hold, made by the program itself; the backup's own takes its place.
MADE_BY_ITSELF = ("auth_permission", "django_content_type", "django_session", "web_workerbeat")


def restore(path: Path, *, media: Path, using: str = DEFAULT_DB_ALIAS) -> archive.Manifest:
    """Put a whole, sound backup back and return its manifest; nothing is stored where anything stands in the way."""
    manifest = archive.verified(path)
    _check_empty(using, media)
    registry = _at_the_backups_state(manifest, using)
    with archive.opened(path) as opened, _files_put(opened, manifest, media), transaction.atomic(using=using):
        _store(opened, manifest, registry, using)
    call_command("migrate", database=using, interactive=False, verbosity=0)  # up to today, and the protection in
    return manifest


def _check_empty(using: str, media: Path) -> None:
    there = set(connections[using].introspection.table_names()) - set(MADE_BY_ITSELF)
    ours = {model._meta.db_table: model for model in apps.get_models(include_auto_created=True)}
    for table in sorted(there & ours.keys()):
        if ours[table]._base_manager.using(using).exists():  # asks for no column, so an older table will do
            raise Refused(
                f"The database is not empty (there is something in {table}): a backup goes into an empty one."
            )
    for found in media.rglob("*"):
        if not found.is_dir():
            raise Refused(
                f"The folder of kept files is not empty (there is {found}): a backup goes into an empty one."
            )


def _at_the_backups_state(manifest: archive.Manifest, using: str) -> Any:
    """Bring the empty database to the state of the backup's and return the models of that state."""
    executor = MigrationExecutor(connections[using])
    graph = executor.loader.graph
    newer = sorted(manifest.migrations - set(graph.nodes))
    if newer:
        raise Refused(f"This backup was made by a later version of the program: it has {newer[0][0]} {newer[0][1]}.")
    if set(executor.loader.applied_migrations) - manifest.migrations:
        raise Refused("This backup is older than the tables of the database: give it a database without tables.")
    last = [
        key
        for key in manifest.migrations
        if not any(
            child.key in manifest.migrations and child.key[0] == key[0] for child in graph.node_map[key].children
        )
    ]
    protection.take_out(using)
    registry = executor.migrate(sorted(last)).apps
    there = {model._meta.db_table: sorted(tables.columns(model)) for model in tables.backed_up(registry)}
    if there != {table: sorted(names) for table, names in manifest.columns.items()}:
        raise Refused("The tables in this backup are not those of its version of the program.")
    return registry


def _store(opened: Any, manifest: archive.Manifest, registry: Any, using: str) -> None:
    connection, models = connections[using], tables.backed_up(registry)
    with connection.cursor() as cursor:
        for table in MADE_BY_ITSELF:
            cursor.execute(statement(connection, "DELETE FROM {table}", table=table))
    for model in models:
        table = model._meta.db_table
        tables.store(model, manifest.columns[table], archive.lines_of(opened, table), using)
    tables.go_on_after(models, manifest.last_ids, using)
    connection.check_constraints()


@contextmanager
def _files_put(opened: Any, manifest: archive.Manifest, media: Path) -> Iterator[None]:
    """Put the kept files in their place once the rows are stored; take them away again if those are not."""
    media.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=media.parent, prefix=".restoring-") as folder:
        for part in manifest.files:
            archive.unpack(opened, part, Path(folder))
        for empty in list(media.iterdir()):
            shutil.rmtree(empty)
        moved = []
        try:
            for entry in sorted(Path(folder).iterdir()):
                moved.append(entry.rename(media / entry.name))
            yield
        except BaseException:
            for entry in moved:
                shutil.rmtree(entry) if entry.is_dir() else entry.unlink()
            raise
