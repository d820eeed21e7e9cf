"""Run the background worker, with a heartbeat that the health page and waiting jobs look at."""

from __future__ import annotations

import logging
import os
import socket
import threading
from typing import Any

from django.db import DatabaseError, close_old_connections, connection
from django.utils import timezone
from django_tasks_db.management.commands.db_worker import Command as DatabaseWorker

from linelog.web import health, jobs

log = logging.getLogger(__name__)


class Command(DatabaseWorker):
    """The library's own worker, beating beside its work."""

    help = "Run the background worker with a heartbeat; offer again what an earlier worker left half done."

    def handle(self, **options: Any) -> None:
        """Beat until the worker ends."""
        over = threading.Event()
        _beat()
        threading.Thread(target=_beat_until, args=(over,), name="heartbeat", daemon=True).start()
        try:
            super().handle(**options)
        finally:
            over.set()


def _beat() -> None:
    now = timezone.now()
    health.beat(name=f"{socket.gethostname()[:60]}:{os.getpid()}", at=now)
    jobs.offer_again(now=now)


def _beat_until(over: threading.Event) -> None:
    while not over.wait(health.BEAT_EVERY.total_seconds()):
        close_old_connections()
        try:
            _beat()
        except DatabaseError:  # the next beat tries again; the health page shows the silence
            log.warning("heartbeat not written: the database does not answer")
    connection.close()
