"""One queue for all who write to a file of SQLite, whatever process they are in: first come, first served.

SQLite itself knows no queue: who finds the file taken looks again after a pause that grows to 100 ms, and one who has
just come may go before. Here the threads of a process stand in a row of their own, and the first of each process
waits for the others in the kernel, which wakes it at once. A process that dies gives up its place by that.

The file has two places, held by a lock of the kernel (POSIX record locks, `fcntl`): the chair of the one who writes,
and before it the door. Who holds the door sits down next: who gave the chair up cannot take it again before.
"""

from __future__ import annotations

import fcntl
import os
import threading
from collections import deque
from pathlib import Path

CHAIR, DOOR = 0, 1  # bytes of the file


class TooLong(Exception):
    """The turn did not come in time."""


class Turns:
    """The queue before one database file, as this process stands in it."""

    def __init__(self, file: Path) -> None:
        self._file = file
        self._open: int | None = None
        self._row: deque[threading.Lock] = deque()
        self._taken = False
        self._guard = threading.Lock()

    @property
    def waiting(self) -> int:
        """How many threads of this process wait for their turn."""
        return len(self._row)

    def take(self, patience_s: float) -> None:
        """Wait for the turn; `TooLong` where those of this process that came before take longer than that."""
        with self._guard:
            place = threading.Lock() if self._taken else None
            self._taken = True
            if place is not None:
                place.acquire()
                self._row.append(place)
        if place is not None and not place.acquire(timeout=patience_s) and self._leaves(place):
            raise TooLong
        try:
            self._before_other_processes()
        except BaseException:
            self._next()
            raise

    def give(self) -> None:
        """Give the turn up to whoever came next."""
        try:
            self._lock(CHAIR, fcntl.LOCK_UN)
        finally:
            self._next()

    def _leaves(self, place: threading.Lock) -> bool:
        """Leave the row; False where the turn came at the last moment."""
        with self._guard:
            if place not in self._row:
                return False
            self._row.remove(place)
            return True

    def _next(self) -> None:
        with self._guard:
            if self._row:
                self._row.popleft().release()
            else:
                self._taken = False

    def _before_other_processes(self) -> None:
        if self._open is None:
            self._open = os.open(self._file, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        self._lock(DOOR, fcntl.LOCK_EX)
        try:
            self._lock(CHAIR, fcntl.LOCK_EX)
        finally:
            self._lock(DOOR, fcntl.LOCK_UN)

    def _lock(self, place: int, how: int) -> None:
        if self._open is not None:
            fcntl.lockf(self._open, how, 1, place)


_known: dict[str, Turns] = {}
_knowing = threading.Lock()


def before(database: str) -> Turns:
    """Return the queue before a database file."""
    with _knowing:
        if database not in _known:
            _known[database] = Turns(Path(f"{database}-turns"))
        return _known[database]


def _in_a_new_process() -> None:
    """Begin anew: the locks stay with the process that forked, and so do the threads that stand in the row."""
    global _knowing
    _known.clear()
    _knowing = threading.Lock()


os.register_at_fork(after_in_child=_in_a_new_process)
