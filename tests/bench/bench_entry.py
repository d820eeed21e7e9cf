"""How fast the entry screen answers: the sums alone, and 50 tablets typing at once through the real web server.

    python -m tests.bench.bench_entry [--seconds 30] [--tablets 50] [--pause 2.0]

Each tablet types a reading, waits for the answer, and goes on after the pause: the pace of quick hands.
"""

from __future__ import annotations

import argparse
import http.client
import os
import re
import statistics
import threading
import time
from typing import Any
from urllib.parse import urlencode

from tests.durability.program import scratch

PASSWORD = "a-long-test-password"  # the one of tests.factories, which needs Django to import
SWEEP = ((0, 0), (45, 18), (90, 52), (135, 93), (180, 121), (225, 104), (270, 68), (315, 31))


def quantile(times: list[float], share: float) -> float:
    """Return the value below which this share of the times lies, in ms."""
    ordered = sorted(times)
    return 1000.0 * ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def sums(rounds: int = 200) -> None:
    """Print the time of one 8-position sweep with its move, shim packs and all."""
    from linelog.calc.adjust import Adjuster, Kind
    from linelog.calc.moves import Misalignment, solve_moves
    from linelog.calc.sweep import Surface, Sweep, SweepSetup, reduce_sweep

    stock = tuple((float(thickness), None) for thickness in (10, 20, 30, 50, 100, 200, 500))
    feet = [
        Adjuster(name, Kind.SHIM, z_mm=z, clock_deg=0.0, stock=stock, min_um=-1000, max_um=1000)
        for name, z in (("Rear foot", 150.0), ("Front foot", 310.0))
    ]
    screws = [
        Adjuster(name, Kind.SCREW, z_mm=z, clock_deg=90.0, pitch_mm=1.0, resolution_um=5.0, min_um=-1500, max_um=1500)
        for name, z in (("Rear side screw", 150.0), ("Front side screw", 310.0))
    ]
    setup = SweepSetup(Surface.BORE, resolution_um=10.0)
    times = []
    for number in range(rounds):
        sweep = Sweep(tuple(a for a, _ in SWEEP), tuple(r + number % 7 for _, r in SWEEP))
        started = time.perf_counter()
        offset = reduce_sweep(setup, [sweep]).offset
        solve_moves(Misalignment(offset.x, offset.y, 230.0, 0.11, -0.23), [*feet, *screws], 20.0, 0.12)
        times.append(time.perf_counter() - started)
    print(
        f"8-position sweep with two feet and two screws: p50 {quantile(times, 0.5):.2f} ms, "
        f"p95 {quantile(times, 0.95):.2f} ms of {rounds} (goal under 5 ms)"
    )


PREPARE = """
from tests import factories as f
from django.utils import timezone
p = f.plant(); line = f.line(p)
for n in range({tablets}):
    who = f.person('mechanic', p, username=f'bench{{n}}')
    m = f.machine(line, name=f'BM {{n:03d}}')
    v = f.visit(m, who, opened_at=timezone.now())
    print(v.pk, m.stations.get(kind='tool_pack').pk)
"""


class Tablet(threading.Thread):
    """One signed-in tablet that types readings and notes how long each answer took."""

    def __init__(
        self, number: int, port: int, visit: int, station: int, start: threading.Barrier, seconds: float, pause: float
    ) -> None:
        super().__init__(daemon=True)
        self.number, self.port, self.start_together = number, port, start
        self.until, self.seconds, self.pause = 0.0, seconds, pause
        self.path = f"/visits/{visit}/stations/{station}/reading/?stage=as_found&seat=rear"
        self.page = f"/visits/{visit}/stations/{station}/?stage=as_found&seat=rear"
        self.times: list[float] = []
        self.wrong: list[int] = []
        self.cookies: dict[str, str] = {}

    def call(self, method: str, path: str, form: dict[str, Any] | None = None) -> tuple[int, bytes]:
        """Send one request on the kept connection and keep the cookies."""
        headers = {"Cookie": "; ".join(f"{k}={v}" for k, v in self.cookies.items()), "HX-Request": "true"}
        if form is not None:
            headers |= {"Content-Type": "application/x-www-form-urlencoded", "X-CSRFToken": self.cookies["csrftoken"]}
        sent = method, path, urlencode(form) if form is not None else None, headers
        try:
            self.connection.request(*sent)
            answer = self.connection.getresponse()
        except (OSError, http.client.HTTPException):  # hung up while idle: a browser then sends it anew
            self.connection.close()
            self.connection.request(*sent)
            answer = self.connection.getresponse()
        for name, value in answer.getheaders():
            found = re.match(r"(csrftoken|sessionid)=([^;]*)", value) if name.lower() == "set-cookie" else None
            if found:
                self.cookies[found[1]] = found[2]
        return answer.status, answer.read()

    def run(self) -> None:
        """Sign in, open the screen, and type until the time is over."""
        self.connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        self.call("GET", "/sign-in/")
        self.call("POST", "/sign-in/", {"username": f"bench{self.number}", "password": PASSWORD})
        self.call("GET", self.page)
        self.start_together.wait(timeout=300)
        self.until = time.monotonic() + self.seconds
        time.sleep(self.number % 50 / 50.0 * self.pause)
        versions = dict.fromkeys(range(4), 0)
        count = 0
        while time.monotonic() < self.until:
            place = count % 4
            value = f"{(count * 7 % 90 + 10) / 1000:.3f}"  # never so small that the form asks back
            form = {"repeat": 1, "angle_deg": place * 90, "value": value, "version": versions[place]}
            started = time.perf_counter()
            status, body = self.call("POST", self.path, form)
            self.times.append(time.perf_counter() - started)
            if status != 200:
                self.wrong.append(status)
            found = re.search(rb'name="version" value="(\d+)"', body)
            versions[place] = int(found[1]) if found else versions[place]
            count += 1
            time.sleep(self.pause)


def tablets_typing(tablets: int, seconds: float, pause: float) -> None:
    """Print the round trip of one typed reading with so many tablets at once."""
    url = os.environ.get("DATABASE_URL", "")
    with scratch(url) as program:
        program.manage("migrate", "-v0")
        told = program.manage("shell", "-v0", "-c", PREPARE.format(tablets=tablets))
        rows = [line.split() for line in told.splitlines()]
        program.start()
        together = threading.Barrier(tablets)
        crowd = [Tablet(n, program.port, int(v), int(s), together, seconds, pause) for n, (v, s) in enumerate(rows)]
        for tablet in crowd:
            tablet.start()
        for tablet in crowd:
            tablet.join(seconds + 400)
    times = [t for tablet in crowd for t in tablet.times[2:]]
    wrong = [status for tablet in crowd for status in tablet.wrong]
    engine = "PostgreSQL" if url.startswith("postgres") else "SQLite"
    print(
        f"{engine}: {tablets} tablets, a reading each every {pause:g} s + answer: {len(times)} round trips, "
        f"p50 {quantile(times, 0.5):.0f} ms, p95 {quantile(times, 0.95):.0f} ms, mean "
        f"{1000 * statistics.fmean(times):.0f} ms, refused or failed {len(wrong)} "
        "(goal p95 under 150 ms on 2 cores)"
    )


def main() -> None:
    """Print all figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--tablets", type=int, default=50)
    parser.add_argument("--pause", type=float, default=2.0)
    chosen = parser.parse_args()
    sums()
    tablets_typing(chosen.tablets, chosen.seconds, chosen.pause)


if __name__ == "__main__":
    main()
