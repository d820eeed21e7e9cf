"""How long a tablet waits while idle and slow connections lean on the server.

    python -m tests.bench.bench_idle [--idle 500] [--slow 200] [--tablets 5] [--seconds 30]

On the real program and a scratch folder, over the loopback alone and for a bounded time. An idle connection sends
nothing, a slow one a byte a second: half of them within the head, half within the body of a request. Each is opened
anew when the server hangs up. With `--instead 'COMMAND ... {port}'` another server answers for the same program.
"""

from __future__ import annotations

import argparse
import os
import selectors
import signal
import socket
import subprocess
import sys
import time
from collections import Counter
from contextlib import suppress
from typing import Any

MOST_CONNECTIONS, MOST_SECONDS, PAUSE_S = 2_000, 300.0, 0.5
LONGEST_S = 30.0  # as long is waited for an answer
HEAD = b"GET /sign-in/ HTTP/1.1\r\nHost: localhost\r\nX-Slow: "
BODY = (
    b"POST /sign-in/ HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/x-www-form-urlencoded\r\n"
    b"Content-Length: 100000\r\n\r\nusername="
)
OPENED = {"idle": b"", "slow head": HEAD, "slow body": BODY}


class Crowd:
    """Connections that lean on the server; runs in a process of its own so that it steals the tablets no time."""

    def __init__(self, port: int, idle: int, slow: int) -> None:
        self.port = port
        self.wanted = ["idle"] * idle + ["slow head"] * (slow // 2) + ["slow body"] * (slow - slow // 2)
        self.selector = selectors.DefaultSelector()
        self.open: dict[socket.socket, str] = {}
        self.closed: Counter[str] = Counter()

    def lean(self, seconds: float) -> None:
        """Open all, feed the slow ones, open anew what the server closed."""
        until = time.monotonic() + min(seconds, MOST_SECONDS)
        missing = list(self.wanted)
        while time.monotonic() < until:
            left = missing
            missing = [kind for kind in left if not self._connect(kind)]
            began = time.monotonic()
            while (rest := began + 1.0 - time.monotonic()) > 0:
                for key, _ in self.selector.select(rest):
                    missing.append(self._gone(key.fileobj))
            for one, kind in list(self.open.items()):
                if kind != "idle":
                    with suppress(OSError):
                        one.send(b"x")

    def _connect(self, kind: str) -> bool:
        one = socket.socket()
        one.settimeout(0.5)
        try:
            one.connect(("127.0.0.1", self.port))
            one.sendall(OPENED[kind])
        except OSError:
            one.close()
            return False
        self.open[one] = kind
        self.selector.register(one, selectors.EVENT_READ)
        return True

    def _gone(self, one: socket.socket) -> str:
        """Close one that was answered or hung up on; return its kind."""
        kind = self.open[one]
        self.selector.unregister(one)
        one.close()
        del self.open[one]
        self.closed[kind] += 1
        return kind


def measure(port: int, needs: list[dict[str, Any]], idle: int, slow: int, seconds: float) -> list[float]:
    """Return how long each write of the tablets took, in s, with so many connections beside them."""
    from tests.durability.writer import Writer

    command = [sys.executable, "-m", "tests.bench.bench_idle", "--lean", str(port)]
    with subprocess.Popen([*command, "--idle", str(idle), "--slow", str(slow)]) as crowd:
        time.sleep(min(10.0, 1.0 + (idle + slow) / 50))  # until all of them are there
        tablets = [Writer(number, port, one, pause=PAUSE_S) for number, one in enumerate(needs)]
        for tablet in tablets:
            tablet.start()
        time.sleep(seconds)
        for tablet in tablets:
            tablet.stopping.set()
        until = time.monotonic() + LONGEST_S
        for tablet in tablets:
            tablet.join(max(0.0, until - time.monotonic()))
        crowd.terminate()
    failed = sum((tablet.failed for tablet in tablets), Counter())
    refused = [said for tablet in tablets for said in tablet.refused]
    stuck = sum(tablet.is_alive() for tablet in tablets)
    if failed or refused or stuck:
        print(f"no or a bad answer {dict(failed)}, refused {refused[:3]}, still without an answer {stuck}")
    return [took for tablet in tablets for took in tablet.times[1:]] + [LONGEST_S] * stuck


def lean(port: int, idle: int, slow: int) -> None:
    """Be the crowd until told to stop, or at most so long; say at the end how it went."""
    crowd = Crowd(port, idle, slow)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit())
    try:
        crowd.lean(MOST_SECONDS)
    finally:
        print(f"connections at the end {dict(Counter(crowd.open.values()))}, closed {dict(crowd.closed)}", flush=True)


def bench(idle: int, slow: int, tablets: int, seconds: float, instead: str) -> None:
    """Print the tablets' times without and with the crowd."""
    from tests.bench.bench_entry import quantile
    from tests.durability.program import scratch

    with scratch() as program:
        everybody = program.prepare(2 * tablets, 3)
        program.start(instead=instead)
        for many, slower, needs in ((0, 0, everybody[:tablets]), (idle, slow, everybody[tablets:])):
            times = measure(program.port, needs, many, slower, seconds)
            print(
                f"{many} idle and {slower} slow connections, {tablets} tablets, a write each every {PAUSE_S:g} s "
                f"+ answer: {len(times)} writes, p50 {quantile(times, 0.5):.0f} ms, "
                f"p95 {quantile(times, 0.95):.0f} ms, "
                f"worst {quantile(times, 1.0):.0f} ms (goal p95 under 150 ms on 2 cores)"
            )


def main() -> None:
    """Read what is asked, run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--idle", type=int, default=500)
    parser.add_argument("--slow", type=int, default=200)
    parser.add_argument("--tablets", type=int, default=5)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--instead", default="", help="the command of another server, with {port}")
    parser.add_argument("--lean", type=int, default=0, help="only lean on this port")
    chosen = parser.parse_args()
    if chosen.idle + chosen.slow > MOST_CONNECTIONS:
        parser.error(f"at most {MOST_CONNECTIONS} connections")
    if chosen.lean:
        return lean(chosen.lean, chosen.idle, chosen.slow)
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    import django

    django.setup()
    return bench(chosen.idle, chosen.slow, chosen.tablets, min(chosen.seconds, MOST_SECONDS), chosen.instead)


if __name__ == "__main__":
    main()
