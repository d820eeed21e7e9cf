"""The real program on a scratch data folder: started, killed without warning, started again."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from linelog.web.management.commands.serve import WEB_THREADS, WEB_WORKERS

ROOT = Path(__file__).resolve().parents[2]


class Program:
    """The web server in its own processes, as `manage.py serve` starts it."""

    def __init__(self, folder: str, url: str = "") -> None:
        self.folder, self.url = folder, url
        Path(folder, "static").mkdir()  # fragments ask for no file in it
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port: int = free.getsockname()[1]
        self.environment = {
            **os.environ,
            "LINELOG_DATA": folder,
            "DATABASE_URL": url,
            "DJANGO_SETTINGS_MODULE": "linelog.settings",
            "LINELOG_LOG_LEVEL": "CRITICAL",
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

    def start(self) -> None:
        """Start the server and wait until it listens."""
        command = [sys.executable, "-m", "gunicorn", "linelog.wsgi", "--bind", f"127.0.0.1:{self.port}", "--preload"]
        command += ["--workers", str(WEB_WORKERS), "--threads", str(WEB_THREADS), "--log-level", "critical"]
        with Path(self.folder, "server.log").open("ab") as log:
            self.server = subprocess.Popen(
                command, cwd=ROOT, env=self.environment, start_new_session=True, stdout=log, stderr=log
            )
        deadline = time.monotonic() + 120
        while not self._listens():
            if self.server.poll() is not None or time.monotonic() > deadline:
                raise RuntimeError(
                    f"the web server did not start: {Path(self.folder, 'server.log').read_text()[-2000:]}"
                )
            time.sleep(0.05)

    def _listens(self) -> bool:
        """With its code loaded first, the server listens only when it is ready."""
        try:
            with socket.create_connection(("127.0.0.1", self.port), timeout=5):
                return True
        except OSError:
            return False

    def end(self, how: signal.Signals = signal.SIGKILL) -> None:
        """End every process of the server at once."""
        if self.server is not None and self.server.poll() is None:
            os.killpg(self.server.pid, how)
            self.server.wait()
        self.server = None


@contextmanager
def scratch(url: str = "") -> Iterator[Program]:
    """Give a program on a data folder of its own; it is ended and the folder gone at the end."""
    with tempfile.TemporaryDirectory(prefix="lldur-") as folder:
        program = Program(folder, url)
        try:
            yield program
        finally:
            program.end()
