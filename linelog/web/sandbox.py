"""Files from outside are read in a process of their own, so that no file can end or stall the program.

    rows = sandbox.call("linelog.production.reading.apart:read", TABLES, path=..., tell=...)

The process is started with exec (`sandbox_child.py`), one for each kind of work in each process that asks. It answers
one call at a time and is used until it dies or is not asked for a while. Each call has its bounds of memory and time;
a file that breaks them ends that process alone and raises `Overrun`. What comes back is rebuilt from plain data: our
own dataclasses, enumerations and exceptions, numpy arrays and polars tables, nothing else.
"""

from __future__ import annotations

import io
import logging
import os
import pickle
import selectors
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, is_dataclass
from enum import Enum
from pathlib import Path
from typing import IO, Any, cast

from linelog.web.broken import Broken
from linelog.web.sandbox_child import LENGTH, send

log = logging.getLogger(__name__)
__all__ = ["Bounds", "Broken", "Overrun", "call"]

ROOT = Path(__file__).resolve().parent.parent.parent
IDLE_S = 300.0
PIECE = 1 << 20
MOST_SAID = 4000
#: One thread for tables and sums: a file gets one core, the tablets have the other.
QUIET = {
    "POLARS_MAX_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "MALLOC_ARENA_MAX": "2",
    "PYTHONFAULTHANDLER": "",
}
REBUILT = {
    ("builtins", "set"),
    ("builtins", "frozenset"),
    ("builtins", "complex"),
    ("builtins", "slice"),
    ("datetime", "date"),
    ("datetime", "datetime"),
    ("datetime", "time"),
    ("datetime", "timedelta"),
    ("datetime", "timezone"),
    ("zoneinfo", "ZoneInfo._unpickle"),
    ("pathlib", "PosixPath"),
    ("numpy", "ndarray"),
    ("numpy", "dtype"),
    ("numpy._core.multiarray", "_reconstruct"),
    ("numpy._core.multiarray", "scalar"),
    ("numpy._core.numeric", "_frombuffer"),
    ("polars.dataframe.frame", "DataFrame"),
}


@dataclass(frozen=True, slots=True)
class Bounds:
    """What one kind of work may take of the machine for one file, beyond what its libraries take by themselves."""

    name: str
    memory_bytes: int
    cpu_s: float
    wall_s: float


class Overrun(Exception):
    """A file that ended the process that read it, or was stopped at its bounds: `why` is 'memory', 'time', 'died'."""

    def __init__(self, why: str, bounds: Bounds) -> None:
        super().__init__(why)
        self.why = why
        self.bounds = bounds

    @property
    def sentence(self) -> str:
        """Say what happened, for the person who sent the file."""
        if self.why == "time":
            most = f"{self.bounds.wall_s:.0f} seconds"
            return f"Reading this file took more than {most}, so it was stopped and the file is refused."
        if self.why == "memory":
            most = f"{self.bounds.memory_bytes // 1_000_000} MB"
            return f"Reading this file takes more than {most} of memory, so it is refused."
        return "This file ended the program that reads it: it is damaged, or takes too much memory. It is refused."


class _Plain(pickle.Unpickler):
    """Rebuilds plain data only: what a file made of the process that read it must reach no further."""

    def find_class(self, module: str, name: str) -> Any:
        """Return a class that holds data; anything else is refused."""
        if (module, name) in REBUILT:
            return super().find_class(module, name)
        if module.startswith("linelog.") or module == "builtins":
            found = super().find_class(module, name)
            if isinstance(found, type) and (is_dataclass(found) or issubclass(found, Enum | Exception)):
                return found
        raise pickle.UnpicklingError(f"{module}.{name} is no plain data")


def _log_what_it_says(said: IO[bytes], name: str) -> None:
    """Write whatever a library says while it breaks, many lines or none, as lines of our own log."""
    with said:
        while words := os.read(said.fileno(), MOST_SAID):
            log.warning("the process that reads %s says: %s", name, words.decode(errors="replace").strip())


class _Child:
    """One process that reads files, and the pipes to it."""

    def __init__(self, name: str) -> None:
        command = [sys.executable, "-m", "linelog.web.sandbox_child"]
        pipe, env = subprocess.PIPE, {**os.environ, **QUIET}
        self.process = subprocess.Popen(command, cwd=ROOT, env=env, stdin=pipe, stdout=pipe, stderr=pipe)
        said = (cast(IO[bytes], self.process.stderr), name)
        threading.Thread(target=_log_what_it_says, args=said, name=f"log of {name}", daemon=True).start()
        self.stdin = cast(IO[bytes], self.process.stdin)
        self.stdout = cast(IO[bytes], self.process.stdout)
        self.answers = self.stdout.fileno()  # read without a buffer, so that waiting for it tells the truth

    @property
    def alive(self) -> bool:
        return self.process.poll() is None

    def end(self) -> None:
        """End it, whatever it does."""
        self.process.kill()
        self.process.wait()
        for pipe in (self.stdin, self.stdout):
            with suppress(OSError):  # what it was still to be told goes with it
                pipe.close()

    def ask(self, request: dict[str, Any], deadline: float, tell: Callable[[Any], None] | None) -> tuple[str, Any]:
        """Return the answer; ('died', None) or ('time', None) where there is none."""
        try:
            send(self.stdin, request)
        except OSError:
            return "died", None
        while True:
            kind, value = self._message(deadline)
            if kind != "progress":
                return kind, value
            if tell is not None:
                tell(value)

    def _message(self, deadline: float) -> tuple[str, Any]:
        head = self._bytes(LENGTH.size, deadline)
        if isinstance(head, str):
            return head, None
        body = self._bytes(LENGTH.unpack(head)[0], deadline)
        if isinstance(body, str):
            return body, None
        try:
            answer: tuple[str, Any] = _Plain(io.BytesIO(body)).load()
        except Exception:  # whatever is no message of ours, however it fails to be one
            log.exception("the process that reads files answered what is no plain data")
            return "died", None
        return answer

    def _bytes(self, count: int, deadline: float) -> bytes | str:
        """Return so many bytes, or why there are none."""
        found = bytearray()
        with selectors.DefaultSelector() as ready:
            ready.register(self.answers, selectors.EVENT_READ)
            while len(found) < count:
                if not ready.select(max(0.0, deadline - time.monotonic())):
                    return "time"
                piece = os.read(self.answers, min(PIECE, count - len(found)))
                if not piece:
                    return "died"
                found += piece
        return bytes(found)


class _Kind:
    """The process that does one kind of work here: started when it is first asked, one call at a time."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.turn = threading.Lock()
        self.child: _Child | None = None
        self.rest: threading.Timer | None = None

    def ask(self, request: dict[str, Any], wall_s: float, tell: Callable[[Any], None] | None) -> tuple[str, Any]:
        with self.turn:
            if self.rest is not None:
                self.rest.cancel()
            if self.child is None or not self.child.alive:
                self.child = _Child(self.name)
            answered = False
            try:
                kind, value = self.child.ask(request, time.monotonic() + wall_s, tell)
                answered = kind in {"done", "raised"}
                return _why(self.child, kind), value
            finally:  # also where `tell` stopped it: what it still says must not answer the next call
                if answered:
                    self.rest = threading.Timer(IDLE_S, self.end)
                    self.rest.daemon = True
                    self.rest.start()
                else:
                    self.child.end()
                    self.child = None

    def end(self) -> None:
        """End the process that nobody asked for a while."""
        with self.turn:
            if self.child is not None:
                self.child.end()
                self.child = None


def _why(child: _Child, kind: str) -> str:
    if kind != "died":
        return kind
    child.process.kill()
    return "time" if child.process.wait() == -signal.SIGXCPU else "died"


_kinds: dict[tuple[int, str], _Kind] = {}  # by process too: a forked one shares no pipe with the one it came from
_making = threading.Lock()


def call(function: str, bounds: Bounds, *, tell: Callable[[Any], None] | None = None, **arguments: Any) -> Any:
    """Return what `function` ("module:name") returns for `arguments`, called in the process for this kind of work.

    `tell` hears what the function tells, and may raise to stop it. Raises Overrun where the file broke the bounds
    or ended the process, Broken where it broke a library, and what the function raises.
    """
    request = {
        "function": function,
        "arguments": arguments,
        "tells": tell is not None,
        "memory_bytes": bounds.memory_bytes,
        "cpu_s": bounds.cpu_s,
    }
    with _making:
        kind = _kinds.setdefault((os.getpid(), bounds.name), _Kind(bounds.name))
    outcome, value = kind.ask(request, bounds.wall_s, tell)
    if outcome == "done":
        return value
    if outcome == "raised":
        raise value
    log.warning("a file ended the process that reads %s: %s", bounds.name, outcome)
    raise Overrun(outcome, bounds)
