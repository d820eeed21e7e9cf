"""A private PostgreSQL for the time of a test run: unix socket only, nothing kept, stopped at the end."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

HASTY = " -c fsync=off -c synchronous_commit=off -c full_page_writes=off"


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


class Cluster:
    """A cluster in a folder of its own. A durable one waits for the disk as in real use; else it is hasty."""

    def __init__(self, folder: str, *, durable: bool = False) -> None:
        self.programs, self.folder = _programs(), folder
        self.url = f"postgres://linelog@/postgres?host={folder}"
        self.settings = f"-k {folder} -c listen_addresses=''" + ("" if durable else HASTY)
        if os.geteuid() == 0:
            shutil.chown(folder, "postgres")
        initdb = ["initdb", "-D", f"{folder}/data", "-U", "linelog", "-A", "trust", "-E", "UTF8"]
        self._run(*initdb, *([] if durable else ["--no-sync"]))

    def _run(self, program: str, *words: str) -> None:
        command = _as_server_user([f"{self.programs}/{program}", *words])
        done = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, cwd=self.folder, text=True)
        if done.returncode:
            log = Path(self.folder, "log")
            raise RuntimeError(f"{program} failed: {done.stdout}\n{log.read_text()[-2000:] if log.is_file() else ''}")

    def start(self) -> None:
        """Start it, also after a crash, and wait until it answers."""
        data, log = f"{self.folder}/data", f"{self.folder}/log"
        self._run("pg_ctl", "-D", data, "-w", "-l", log, "-o", self.settings, "start")

    def stop(self) -> None:
        """Stop it at once, where it runs."""
        if not Path(self.folder, "data", "postmaster.pid").exists():
            return
        self._run("pg_ctl", "-D", f"{self.folder}/data", "-w", "-m", "immediate", "stop")

    def kill(self) -> None:
        """End all its processes with SIGKILL, as a machine that dies would."""
        lock = Path(self.folder, "data", "postmaster.pid")
        master = int(lock.read_text().split()[0])
        os.kill(master, signal.SIGSTOP)  # so that it starts no further process while we look
        doomed = [master, *children(master)]
        for process in doomed:
            os.kill(process, signal.SIGKILL)
        while any(runs(process) for process in doomed):
            time.sleep(0.02)
        # Where nobody takes dead processes away (a container), the next start would take this one for living.
        lock.unlink()
        Path(self.folder, ".s.PGSQL.5432.lock").unlink()


def _stat(process: str) -> list[str]:
    return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()


def children(parent: int) -> list[int]:
    """Return the processes that a process has started."""
    found = []
    for entry in Path("/proc").iterdir():
        try:
            if entry.name.isdigit() and int(_stat(entry.name)[1]) == parent:
                found.append(int(entry.name))
        except (FileNotFoundError, ProcessLookupError):
            continue
    return found


def runs(process: int) -> bool:
    """Say whether it still runs."""
    try:
        return _stat(str(process))[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


@contextmanager
def private_cluster(*, durable: bool = False) -> Iterator[str]:
    """Start a cluster in a temporary folder and give the DATABASE_URL of an empty database in it."""
    with own_cluster(durable=durable) as cluster:
        yield cluster.url


@contextmanager
def own_cluster(*, durable: bool) -> Iterator[Cluster]:
    """Start a cluster in a temporary folder and give it, to be killed and started again."""
    _programs()
    with tempfile.TemporaryDirectory(prefix="llpg-") as folder:
        cluster = Cluster(folder, durable=durable)
        cluster.start()
        try:
            yield cluster
        finally:
            cluster.stop()
