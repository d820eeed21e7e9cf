"""Keep the parts of the program running: a part that ends is started again, and none outlives the program.

A part is forked from the program, which has loaded all its code by then, so it is back in well under a second. It is
killed by the kernel when the program is gone (PR_SET_PDEATHSIG), whatever ended that; nothing else is certain to.
"""

from __future__ import annotations

import ctypes
import logging
import os
import signal
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing import connection, get_context
from multiprocessing.process import BaseProcess
from types import FrameType

log = logging.getLogger(__name__)

FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.25, 5.0
SOUND_AFTER_S = 10.0  # a part that ran so long is not one that cannot start
GRACE_S = 15.0
PR_SET_PDEATHSIG, PR_SET_NAME = 1, 15  # <linux/prctl.h>
_fork = get_context("fork")


@dataclass(slots=True)
class Part:
    """One process of the program: what it does, and how often in a row it ended soon."""

    name: str
    work: Callable[[], object]
    process: BaseProcess | None = None
    started: float = 0.0
    ended_soon: int = 0
    due: float = 0.0  # when it is to be started, on the monotonic clock
    leaving: bool = False  # it was told to end, and is not started again

    def start(self, now: float) -> None:
        """Fork it."""
        self.process = _fork.Process(target=_run, args=(self, os.getpid()), name=self.name)
        self.process.start()
        self.started = now

    def leave(self) -> None:
        """Let it end what it is doing, and be gone."""
        self.leaving = True
        if self.process is not None:
            self.process.terminate()

    def gone(self, now: float) -> None:
        """Say why it ended, and decide when it starts again."""
        code = (self.process.exitcode if self.process else None) or 0
        self.end(signal.SIGKILL)  # what it had started itself
        self.process = None
        if self.leaving:
            return
        self.ended_soon = 0 if now - self.started > SOUND_AFTER_S else self.ended_soon + 1
        pause = pause_after(self.ended_soon)
        self.due = now + pause
        why = f"by signal {signal.Signals(-code).name}" if code < 0 else f"with code {code}"
        after = f"{now - self.started:.0f} s"
        log.log(
            logging.INFO if code == 0 else logging.ERROR,
            "part %s ended %s after %s; it is started again in %.1f s",
            *(self.name, why, after, pause),
        )

    def end(self, how: signal.Signals) -> None:
        """Send a signal to it and whatever it started."""
        if self.process is not None and self.process.pid is not None:
            with suppress(ProcessLookupError):
                os.killpg(self.process.pid, how)


def pause_after(ended_soon: int) -> float:
    """Return the seconds until a part starts again that ended so often in a row soon after its start."""
    return min(LONGEST_PAUSE_S, FIRST_PAUSE_S * 2.0 ** (ended_soon - 1)) if ended_soon else 0.0


def _run(part: Part, program: int) -> None:
    """Be a part: in a session of its own, so that Ctrl-C reaches the program alone, and gone when that is."""
    signal.set_wakeup_fd(-1)
    for name in (signal.SIGINT, signal.SIGTERM):
        signal.signal(name, signal.SIG_DFL)
    os.setsid()
    _prctl(PR_SET_NAME, part.name[:15].encode())  # as `ps` and `top` show it
    die_with(program)
    part.work()


def _prctl(what: int, value: int | bytes) -> None:
    if ctypes.CDLL(None, use_errno=True).prctl(what, value, 0, 0, 0):
        raise OSError(ctypes.get_errno(), f"prctl {what} refused")


def die_with(parent: int) -> None:
    """Have the kernel kill this process when its parent ends."""
    _prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != parent:  # it ended before we could ask
        os._exit(1)


def keep_running(
    parts: Sequence[Part],
    started: Callable[[], object],
    *,
    meanwhile: Part | None = None,
    load: Callable[[], object] | None = None,
) -> None:
    """Start all parts, call `started`, keep them running until a signal says stop; then stop them, gently first.

    load       what is better done once, before the parts are forked, but nobody should wait for
    meanwhile  the part that is there while it is done: started before all others, and let go when they are there
    """
    asked = False
    running: list[Part] = []
    awake, wake = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)  # a signal ends the wait below at once

    def ask(signum: int, frame: FrameType | None) -> None:
        nonlocal asked
        asked = True

    before = signal.set_wakeup_fd(wake)
    for name in (signal.SIGINT, signal.SIGTERM):
        signal.signal(name, ask)
    try:
        if meanwhile is not None:
            _start([meanwhile], running)
        else:
            _start(parts, running)
        started()
        if meanwhile is not None:
            if load is not None:
                load()
            _start(parts, running)
            meanwhile.leave()
        while not asked:
            _look_after(running, awake)
    finally:
        signal.set_wakeup_fd(before)
        _stop(running)


def _start(parts: Iterable[Part], running: list[Part]) -> None:
    for part in parts:
        part.start(time.monotonic())
        running.append(part)


def _look_after(parts: list[Part], awake: int) -> None:
    """Wait until a part ends, one is due or a signal comes; take note of the ends, start what is due."""
    now = time.monotonic()
    rest = [max(0.0, part.due - now) for part in parts if part.process is None]
    alive = [part.process.sentinel for part in parts if part.process is not None]
    connection.wait([*alive, awake], timeout=min(rest, default=None))
    now = time.monotonic()
    for part in list(parts):
        if part.process is not None and part.process.exitcode is not None:
            part.gone(now)
        if part.process is None and part.leaving:
            parts.remove(part)
        elif part.process is None and part.due <= now:
            part.start(now)


def _stop(parts: Sequence[Part]) -> None:
    for part in parts:
        if part.process is not None:
            part.process.terminate()
    until = time.monotonic() + GRACE_S
    for part in parts:
        if part.process is not None:
            part.process.join(max(0.1, until - time.monotonic()))
            part.end(signal.SIGKILL)
