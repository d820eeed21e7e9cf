"""The real program on a scratch data folder: started by the README's unit, its parts killed without warning."""

from __future__ import annotations

import atexit
import http.client
import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import Any

from linelog.web.supervise import GRACE_S
from tests.durability import unit
from tests.postgres import children, runs

ROOT = Path(__file__).resolve().parents[2]


class Program:
    """The whole program, as the unit in the README starts it."""

    def __init__(self, folder: str, url: str = "") -> None:
        self.folder, self.url = folder, url
        Path(folder, "static").symlink_to(_static())
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port: int = free.getsockname()[1]
        self.environment = {
            **os.environ,
            "LINELOG_DATA": folder,
            "DATABASE_URL": url,
            "DJANGO_SETTINGS_MODULE": "linelog.settings",
            "LINELOG_LOG_LEVEL": "ERROR",
        }
        self.server: subprocess.Popen[bytes] | None = None

    def manage(self, *words: str) -> str:
        """Run a management command and return what it printed."""
        command = [sys.executable, "manage.py", *words]
        done = subprocess.run(command, cwd=ROOT, env=self.environment, stdout=subprocess.PIPE, text=True, check=True)
        return done.stdout

    def prepare(self, writers: int, visits: int) -> list[dict[str, Any]]:
        """Make the tables and so many people with visits; return what each writer needs."""
        self.manage("migrate", "-v0")
        words = f"from tests.durability.prepare import prepare; prepare({writers}, {visits})"
        return [json.loads(line) for line in self.manage("shell", "-v0", "-c", words).splitlines()]

    def start(self, *, instead: str = "") -> None:
        """Start it as the README does, or by another command with {port} in it, and wait until it answers."""
        command = instead.format(port=self.port).split() if instead else unit.command(self.port)
        with Path(self.folder, "server.log").open("ab") as log:
            self.server = subprocess.Popen(
                command, cwd=ROOT, env=self.environment, start_new_session=True, stdout=log, stderr=log
            )
        deadline = time.monotonic() + 120
        while not self.answers():
            if self.server.poll() is not None or time.monotonic() > deadline:
                raise RuntimeError(f"the program did not start: {self.log()[-2000:]}")
            time.sleep(0.05)

    def log(self) -> str:
        """Return what it has written."""
        return Path(self.folder, "server.log").read_text()

    def answers(self) -> bool:
        """Ask for a page that needs no database."""
        return self.status("/robots.txt", 5.0) == 200

    def status(self, path: str, patience_s: float, session: str = "") -> int:
        """Return the status of a page; 0 where no answer came in time."""
        asked = http.client.HTTPConnection("127.0.0.1", self.port, timeout=patience_s)
        try:
            asked.request("GET", path, headers={"Cookie": f"sessionid={session}"} if session else {})
            return asked.getresponse().status
        except (OSError, http.client.HTTPException):
            return 0
        finally:
            asked.close()

    def parts(self, name: str = "") -> list[int]:
        """Return the numbers of the processes that `serve` keeps running, by the beginning of their names."""
        if self.server is None:
            return []
        found = []
        for child in children(self.server.pid):
            with suppress(FileNotFoundError, ProcessLookupError):
                if Path(f"/proc/{child}/comm").read_text().startswith(name) and runs(child):
                    found.append(child)
        return found

    def kill(self) -> list[int]:
        """End `serve` alone, without warning; return the parts it had."""
        parts = self.parts()
        if self.server is not None:
            self.server.kill()
            self.server.wait()
        self.server = None
        return parts

    def end(self) -> None:
        """End everything, gently: it must not take longer than it says."""
        if self.server is not None and self.server.poll() is None:
            self.server.terminate()
            self.server.wait(GRACE_S + 15)
        self.server = None


@cache
def _static() -> Path:
    """Return a folder of static files for all programs of this run: they are collected once."""
    folder = Path(tempfile.mkdtemp(prefix="lldur-static-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


@contextmanager
def scratch(url: str = "") -> Iterator[Program]:
    """Give a program on a data folder of its own; it is ended and the folder gone at the end."""
    with tempfile.TemporaryDirectory(prefix="lldur-") as folder:
        program = Program(folder, url)
        try:
            yield program
        finally:
            program.end()
