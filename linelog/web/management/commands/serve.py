"""Start the whole program: database, demonstration plant where there is none, web server and worker."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from types import FrameType
from typing import Any

from django.apps import apps
from django.conf import settings
from django.core.management import BaseCommand, CommandParser, call_command

WEB_WORKERS, WEB_THREADS = 2, 4
GRACE_S = 15


class Command(BaseCommand):
    """One command for a fresh machine and for every start after it."""

    help = "Migrate, load the demonstration plant into an empty database, serve web and worker until Ctrl-C."

    def add_arguments(self, parser: CommandParser) -> None:
        """Where to listen, and whether an empty database gets the demonstration plant."""
        parser.add_argument("--host", default="127.0.0.1")
        parser.add_argument("--port", type=int, default=settings.PORT)
        parser.add_argument("--no-demo", action="store_true", help="Leave an empty database empty.")

    def handle(self, *, host: str, port: int, no_demo: bool, **options: Any) -> None:
        """Prepare, then run both parts until one ends or the person stops them."""
        settings.DATA_DIR.mkdir(parents=True, exist_ok=True)
        call_command("migrate", interactive=False, verbosity=0)
        call_command("collectstatic", interactive=False, verbosity=0)
        if not no_demo and not apps.get_model("plant", "Plant").objects.exists():
            self.stdout.write("The database is empty: loading the invented demonstration plant ...")
            call_command("load_demo", stdout=self.stdout)
        parts = [self._web(host, port), self._worker()]
        self.stdout.write(f"\nAlignment logbook: http://{'localhost' if host == '127.0.0.1' else host}:{port}/\n")
        if apps.get_model("plant", "Plant").objects.filter(is_invented=True).exists():
            call_command("demo_people", stdout=self.stdout)
        self.stdout.write("Stop with Ctrl-C.")
        self.stdout.flush()
        sys.exit(_watch(parts))

    def _web(self, host: str, port: int) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", "gunicorn", "linelog.wsgi", "--bind", f"{host}:{port}"]
        command += ["--workers", str(WEB_WORKERS), "--threads", str(WEB_THREADS), "--preload"]
        command += ["--keep-alive", "30"]  # a tablet types every few seconds: no new connection each time
        command += ["--timeout", "120", "--graceful-timeout", str(GRACE_S - 5), "--log-level", "warning"]
        return _start(command)

    def _worker(self) -> subprocess.Popen[bytes]:
        manage = Path(settings.BASE_DIR) / "manage.py"
        command = [sys.executable, str(manage), "worker"]
        return _start(command)


def _start(command: list[str]) -> subprocess.Popen[bytes]:
    """Start a part in a process group of its own; Ctrl-C reaches this program alone, which then stops the parts."""
    # Many requests share few cores: a linear-algebra library that takes them all for one sum slows every other.
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    return subprocess.Popen(command, cwd=settings.BASE_DIR, env=environment, start_new_session=True)


def _watch(parts: list[subprocess.Popen[bytes]]) -> int:
    """Wait until a part ends or somebody stops the program, then stop the others; 0 where it was asked for."""
    asked = False

    def ask(signum: int, frame: FrameType | None) -> None:
        nonlocal asked
        asked = True

    for name in (signal.SIGINT, signal.SIGTERM):
        signal.signal(name, ask)
    while not asked and all(part.poll() is None for part in parts):
        time.sleep(0.2)
    for part in parts:
        if part.poll() is None:
            part.terminate()
    deadline = time.monotonic() + GRACE_S
    for part in parts:
        try:
            part.wait(timeout=max(0.1, deadline - time.monotonic()))
        except subprocess.TimeoutExpired:
            os.killpg(part.pid, signal.SIGKILL)
            part.wait()
    return 0 if asked else 1
