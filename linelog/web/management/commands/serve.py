"""Start the whole program: database, demonstration plant where there is none, web server and worker."""

from __future__ import annotations

import logging
import os
import socket
import subprocess
import sys
import time
from argparse import BooleanOptionalAction
from importlib import import_module
from typing import Any

from django.apps import apps
from django.conf import settings
from django.core.management import BaseCommand, CommandError, CommandParser, call_command
from django.db import OperationalError, connection, connections
from django.db.migrations.executor import MigrationExecutor

from linelog.web import private, warm
from linelog.web.collected import collect_if_changed
from linelog.web.supervise import Part, keep_running

log = logging.getLogger(__name__)

WEB_PROCESSES = 2
WAITING = 1024  # connections the kernel holds while no process takes them
DATABASE_WAIT_S, DATABASE_LOOK_S = 60.0, 1.0


class Command(BaseCommand):
    """One command for a fresh machine and for every start after it."""

    help = "Migrate, load the demonstration plant into an empty database, serve web and worker until Ctrl-C."
    requires_system_checks = []  # they take as long as all the rest, and every test run makes them

    def add_arguments(self, parser: CommandParser) -> None:
        """Where to listen, and whether an empty database gets the demonstration plant."""
        parser.add_argument("--host", default="127.0.0.1")
        parser.add_argument("--port", type=int, default=settings.PORT)
        parser.add_argument(
            "--demo",
            action=BooleanOptionalAction,
            default=not settings.IS_INSTALLED,
            help="Load the invented plant into an empty database (in a clone of the repository), or leave it empty.",
        )

    def handle(self, *, host: str, port: int, demo: bool, **options: Any) -> None:
        """Prepare, then keep all parts running until the person stops them."""
        listener = _listen(host, port)  # held from here on: who asks before all is ready waits, and is answered
        settings.DATA_DIR.mkdir(parents=True, exist_ok=True)
        private.shut(settings.DATA_DIR)
        _wait_for_database()
        self._migrate()
        collect_if_changed()
        if demo and not apps.get_model("plant", "Plant").objects.exists():
            self.stdout.write("The database is empty: loading the invented demonstration plant ...")
            self.stdout.flush()
            _apart("load_demo")
        is_invented = apps.get_model("plant", "Plant").objects.filter(is_invented=True).exists()
        parts = [Part(f"web {n}", lambda: _web(listener)) for n in range(1, WEB_PROCESSES + 1)]
        parts.append(Part("worker", lambda: _worker(listener)))
        import_module("linelog.wsgi")  # loads every page's code, once for all parts

        connections.close_all()
        first = Part("web 0", lambda: _web(listener))
        keep_running(parts, lambda: self._say(host, port, is_invented), meanwhile=first, load=warm.load_libraries)

    def _migrate(self) -> None:
        """Bring the tables up to date. With nothing to do that still puts the protections of signed records in."""
        executor = MigrationExecutor(connection)
        if executor.migration_plan(executor.loader.graph.leaf_nodes()):
            _apart("migrate", "--no-input", "-v0")
        else:
            call_command("migrate", interactive=False, verbosity=0)

    def _say(self, host: str, port: int, is_invented: bool) -> None:
        self.stdout.write(f"\nAlignment logbook: http://{'localhost' if host == '127.0.0.1' else host}:{port}/\n")
        if is_invented:
            call_command("demo_people", stdout=self.stdout)
        self.stdout.write("Stop with Ctrl-C.")
        self.stdout.flush()
        connections.close_all()


def _listen(host: str, port: int) -> socket.socket:
    """Take the port, or say why not."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family, backlog=WAITING)
    except OSError as trouble:
        why = os.strerror(trouble.errno) if trouble.errno and trouble.errno > 0 else trouble.strerror
        raise CommandError(f"Cannot listen on {host}, port {port}: {why}; nothing was started.") from None


def _wait_for_database() -> None:
    """Wait for a database server that starts at the same time as this program."""
    until = time.monotonic() + DATABASE_WAIT_S
    while True:
        try:
            return connection.ensure_connection()
        except OperationalError as trouble:
            if time.monotonic() > until:
                raise CommandError(f"The database does not answer: {trouble}") from None
            log.warning("the database does not answer yet: %s", trouble)
            time.sleep(DATABASE_LOOK_S)


def _apart(*words: str) -> None:
    """Run a command in a process of its own: what it leaves running (threads of libraries) must not be forked."""
    command = [sys.executable, "-m", "linelog", *words]
    if subprocess.run(command, cwd=settings.PACKAGE_DIR.parent, check=False).returncode:
        raise CommandError(f"{words[0]} did not succeed; nothing was started.")


def _web(listener: socket.socket) -> None:
    """Be a web process."""
    from linelog.web.server import serve
    from linelog.wsgi import application

    serve(application, listener)


def _worker(listener: socket.socket) -> None:
    """Be the background worker."""
    listener.close()
    call_command("worker")
