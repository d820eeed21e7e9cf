"""Run the background worker, with a heartbeat that the health page and waiting jobs look at."""

from __future__ import annotations

import logging
import os
import socket
import threading
import time
from typing import Any

from django.db import DatabaseError, InterfaceError, close_old_connections, connection
from django.utils import timezone
from django_tasks_db.management.commands.db_worker import Command as DatabaseWorker

from linelog.web import health, jobs, nightly

log = logging.getLogger(__name__)

AGAIN_AFTER_S = 2.0
TROUBLE = (DatabaseError, InterfaceError)


class Command(DatabaseWorker):
    """The library's own worker, beating beside its work, and beginning anew where the database was away."""

    help = "Run the background worker with a heartbeat; offer again what an earlier worker left half done."

    def handle(self, **options: Any) -> None:
        """Beat until the worker ends. A database that went away, or is held by another, ends only one round of it."""
        over = threading.Event()
        threading.Thread(target=_beat_until, args=(over,), name="heartbeat", daemon=True).start()
        try:
            while True:
                try:
                    _beat()
                    return super().handle(**options)
                except TROUBLE as trouble:
                    log.warning("the database does not answer the worker, which tries again: %s", trouble)
                connection.close()
                time.sleep(AGAIN_AFTER_S)
        finally:
            over.set()


def _beat() -> None:
    now = timezone.now()
    health.beat(name=f"{socket.gethostname()[:60]}:{os.getpid()}", at=now)
    for part in (lambda: jobs.offer_again(now=now), lambda: nightly.offer_due(now), lambda: jobs.look(now=now)):
        try:
            part()
        except TROUBLE:
            raise
        except Exception:  # whatever broke in one of them, the others are done, and the next beat comes
            log.exception("a part of the worker's beat broke")


def _beat_until(over: threading.Event) -> None:
    while not over.wait(health.BEAT_EVERY.total_seconds()):
        close_old_connections()
        try:
            _beat()
        except TROUBLE:  # the next beat tries again; the health page shows the silence
            log.warning("heartbeat not written: the database does not answer")
    connection.close()
