"""A private PostgreSQL for the time of a test run: unix socket only, nothing kept, stopped at the end."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


class Absent(Exception):
    """No PostgreSQL server programs on this machine."""


def _programs() -> Path:
    found = shutil.which("initdb")
    places = [Path(found).resolve().parent] if found else []
    places += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    for place in places:
        if (place / "pg_ctl").exists():
            return place
    raise Absent("PostgreSQL's initdb and pg_ctl were not found (Debian: apt-get install postgresql).")


def _as_server_user(command: list[str]) -> list[str]:
    """Initdb refuses root: there, run it as the user that Debian's package made."""
    return ["runuser", "-u", "postgres", "--", *command] if os.geteuid() == 0 else command


@contextmanager
def private_cluster() -> Iterator[str]:
    """Start a cluster in a temporary folder and give the DATABASE_URL of an empty database in it."""
    programs = _programs()
    with tempfile.TemporaryDirectory(prefix="llpg-") as folder:
        if os.geteuid() == 0:
            shutil.chown(folder, "postgres")
        data = f"{folder}/data"
        run = {"check": True, "stdout": subprocess.DEVNULL, "cwd": folder}
        subprocess.run(
            _as_server_user(
                [f"{programs}/initdb", "-D", data, "-U", "linelog", "-A", "trust", "-E", "UTF8", "--no-sync"]
            ),
            **run,
        )
        settings = (
            f"-k {folder} -c listen_addresses='' -c fsync=off -c synchronous_commit=off -c full_page_writes=off"
        )
        ctl = [f"{programs}/pg_ctl", "-D", data, "-w"]
        subprocess.run(_as_server_user([*ctl, "-l", f"{folder}/log", "-o", settings, "start"]), **run)
        try:
            yield f"postgres://linelog@/postgres?host={folder}"
        finally:
            subprocess.run(_as_server_user([*ctl, "-m", "immediate", "stop"]), **run)
