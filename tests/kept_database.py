"""A migrated, empty SQLite database kept between runs of the tests: migrations are replayed only when changed.

The first run after a change of any migration (or of a library that brings tables) makes it; every other run, and
every other worker of the same run, starts from a copy. `migrate` still runs on it and finds nothing to do.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import os
import sqlite3
import tempfile
from importlib.metadata import version
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BRINGS_TABLES = ("Django", "django-axes", "django-tasks-db")
KEPT = 5  # of different migrations: switching between branches finds its own again


def _mark() -> str:
    """Return what tells one state of the tables from another."""
    found = hashlib.sha256(sqlite3.sqlite_version.encode())
    for name in BRINGS_TABLES:
        found.update(f"{name} {version(name)}".encode())
    for path in sorted([*ROOT.glob("linelog/*/migrations/*.py"), *ROOT.glob("linelog/**/protection.py")]):
        found.update(path.relative_to(ROOT).as_posix().encode() + path.read_bytes())
    return found.hexdigest()[:16]


def _folder() -> Path:
    folder = Path(tempfile.gettempdir()) / f"linelog-kept-database-{os.getuid()}"
    folder.mkdir(mode=0o700, exist_ok=True)
    return folder


def _copy(source: Path, target: Path) -> None:
    with contextlib.closing(sqlite3.connect(source)) as from_it, contextlib.closing(sqlite3.connect(target)) as to_it:
        from_it.backup(to_it)


class Kept:
    """Lay the kept database in place of `database`; where there is none yet, keep the one there is at `made`.

    Others wait meanwhile, so that it is made once. The lock goes with the process, however that ends.
    """

    def __init__(self, database: Path) -> None:
        self.database = database
        self.kept = _folder() / f"{_mark()}.sqlite3"
        self.lock = self.kept.with_suffix(".lock").open("w")
        fcntl.flock(self.lock, fcntl.LOCK_EX)
        self.there = self.kept.exists()
        if self.there:
            _copy(self.kept, database)
            os.utime(self.kept)
            self.lock.close()

    def made(self) -> None:
        """Keep the database that stands now, unless it came from the kept one."""
        if self.there:
            return
        half = self.kept.with_suffix(".half")
        half.unlink(missing_ok=True)
        _copy(self.database, half)
        half.replace(self.kept)
        for old in sorted(_folder().glob("*.sqlite3"), key=lambda path: path.stat().st_mtime)[:-KEPT]:
            old.unlink()
        self.lock.close()
