"""The web server: requests are read whole by one thread that waits on all connections, and answered by a few others.

A connection that sends nothing, or a byte a second, therefore holds up nobody. How long one may take stands here.
"""

from __future__ import annotations

import logging
import resource
import secrets
import shutil
import signal
import socket
import tempfile
import time
from pathlib import Path
from types import FrameType
from typing import Any

from django.conf import settings
from waitress import wasyncore
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.server import TcpWSGIServer
from waitress.utilities import Error, RequestEntityTooLarge

from linelog.web import errors, health
from linelog.web.middleware import REST_OF_A_FORM

log = logging.getLogger(__name__)

THREADS = 4
MOST_CONNECTIONS = 2_000  # a process; further ones wait in the kernel's queue
IDLE_S = 75.0  # a tablet types every few seconds: no new connection each time
HEAD_S = 15.0
BODY_GRACE_S = 30.0
SLOWEST_BODY = 20_000.0  # bytes a second, after the grace
LOOK_EVERY_S = 5
LIFE_REQUESTS, LIFE_JITTER = 20_000, 0.2
GRACE_S = 10.0
HEAD_BYTES = 65_536
HELD_BACK_BYTES = 1_000_000_000  # of an answer to a slow reader, on the disk from the first MB on


class NoRoom(Error):
    """507, before a byte of the body is kept."""

    code = 507
    reason = "Insufficient Storage"


class Incoming(HTTPRequestParser):
    """A request on its way in, with the time its reading began."""

    def __init__(self, adj: Any) -> None:
        super().__init__(adj)
        self.began = time.monotonic()

    def parse_header(self, header_plus: bytes) -> None:
        """Read the head; refuse a large body from somebody without a session, or for which the disk has no room."""
        super().parse_header(header_plus)
        if self.content_length <= settings.DATA_UPLOAD_MAX_MEMORY_SIZE:
            return
        if f"{settings.SESSION_COOKIE_NAME}=" not in self.headers.get("COOKIE", ""):
            self._refuse(RequestEntityTooLarge("sign in before sending a file"))
        elif shutil.disk_usage(settings.DATA_DIR).free < self.content_length + health.LEAST_FREE_BYTES:
            self._refuse(NoRoom(errors.DiskFull().message))

    def received(self, data: bytes) -> int:
        """Take in a piece; a disk that takes no more is answered, not an end of the connection."""
        try:
            taken: int = super().received(data)
        except OSError as trouble:
            if not errors.is_disk_full(trouble):
                raise
            self._refuse(NoRoom(errors.DiskFull().message))
            return len(data)
        return taken

    def _refuse(self, error: Error) -> None:
        self.error, self.completed, self.connection_close = error, True, True

    def is_late(self, now: float) -> bool:
        """Say whether it takes longer than anybody honest needs."""
        allowed = BODY_GRACE_S + self.body_bytes_received / SLOWEST_BODY if self.headers_finished else HEAD_S
        return now - self.began > float(allowed)


class Channel(HTTPChannel):
    """A connection."""

    parser_class = Incoming

    def is_overdue(self, now: float) -> bool:
        """Say whether it has been silent, or slow with its request, for too long; one being answered never is."""
        if self.requests:
            return False
        if self.request is not None:
            return bool(self.request.is_late(time.monotonic()))
        return bool(now - self.last_activity > IDLE_S)


class Server(TcpWSGIServer):
    """One process of the web server. It ends by itself after its share of requests, and gracefully when told to."""

    channel_class = Channel

    def __init__(self, application: Any, listener: socket.socket) -> None:
        """Answer on a socket that already listens."""
        self.left = round(LIFE_REQUESTS * secrets.SystemRandom().uniform(1 - LIFE_JITTER, 1 + LIFE_JITTER))
        self.ends_at: float | None = None
        limit = max(settings.UPLOAD_LIMIT_BYTES, settings.CAPTURE_LIMIT_BYTES) + REST_OF_A_FORM
        place = (listener.family, listener.type, listener.proto, listener.getsockname())
        super().__init__(
            application,
            _sock=listener,
            bind_socket=False,
            sockinfo=place,
            threads=THREADS,
            connection_limit=_connections(),
            cleanup_interval=LOOK_EVERY_S,
            asyncore_use_poll=True,
            max_request_header_size=HEAD_BYTES,
            max_request_body_size=limit,
            outbuf_high_watermark=HELD_BACK_BYTES,
            clear_untrusted_proxy_headers=False,  # settings.HTTPS says which of them count
            ident="",
            log_socket_errors=False,
        )

    def add_task(self, task: Any) -> None:
        """Hand a request to the threads, and count it."""
        self.left -= 1
        super().add_task(task)

    def maintenance(self, now: float) -> None:
        """Close the connections that are overdue."""
        for channel in list(self.active_channels.values()):
            if channel.is_overdue(now):
                channel.will_close = True

    def stop(self, *_: int | FrameType | None) -> None:
        """Take no more connections; answer what was asked."""
        if self.ends_at is None:
            self.ends_at = time.monotonic() + GRACE_S
            self.accepting = False

    def run(self) -> None:
        """Serve until told to stop or the share of requests is answered."""
        while self.ends_at is None:
            wasyncore.poll2(1.0, self._map)
            if self.left <= 0:
                log.info("this web process has answered its share of requests and makes room for a fresh one")
                self.stop()
        while time.monotonic() < self.ends_at and self._is_answering():
            wasyncore.poll2(0.1, self._map)

    def _is_answering(self) -> bool:
        """Close whatever waits for nothing; say whether there is more."""
        for channel in list(self.active_channels.values()):
            if not (channel.requests or channel.total_outbufs_len):
                channel.will_close = True
        return bool(self.active_channels)


def _connections() -> int:
    """Return how many connections this process may hold: each takes up to three open files with its bodies."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = 3 * MOST_CONNECTIONS
    if soft < min(wanted, hard):
        soft = min(wanted, hard)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    return min(MOST_CONNECTIONS, soft // 3)


def serve(application: Any, listener: socket.socket) -> None:
    """Answer requests in this process until told to stop."""
    folder = Path(settings.INCOMING_DIR)  # large bodies wait beside the kept files, not in a folder held in memory
    folder.mkdir(parents=True, exist_ok=True)
    tempfile.tempdir = str(folder)
    server = Server(application, listener)
    for name in (signal.SIGTERM, signal.SIGINT):
        signal.signal(name, server.stop)
    server.run()
