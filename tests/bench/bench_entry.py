"""How fast the entry screen answers: the sums alone, and many tablets typing at once through the real web server.

    python -m tests.bench.bench_entry [--engine sqlite|postgres] [--tablets 100] [--seconds 60] [--moves]

Each tablet types a reading under a key of its own, waits for the answer, and goes on after the pause: the pace of
quick hands. The processor is counted for the program, the database server and the tablets apart, for they share the
machine. Both engines wait for the disk at every commit. `DATABASE_URL` names a server to be used instead of a private
one. With `--moves` every sweep is out and ends in a move that is worked out; else in doubt, as quick hands type.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import os
import re
import statistics
import threading
import time
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from tests.durability.program import Program, scratch
from tests.postgres import children, own_cluster

PASSWORD = "a-long-test-password"  # the one of tests.factories, which needs Django to import
SWEEP = ((0, 0), (45, 18), (90, 52), (135, 93), (180, 121), (225, 104), (270, 68), (315, 31))
OUT = (50, 100, 170, 120)  # at 12, 3, 6 and 9 of a bore, um: 0.060 low and 0.010 to the right of its line
TICKS = os.sysconf("SC_CLK_TCK")


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
    print(v.pk, m.stations.get(kind='{kind}').pk)
"""

# The same four rows as a typed reading stores, with nothing read, checked, worked out or shown.
BARE = """
import time, uuid
from django.db import connection, transaction
from linelog.alignment.models import Reading, Result
from linelog.web.models import AuditEvent, WriteKey
reading, result = Reading.objects.last().pk, Result.objects.last().pk
event, key = AuditEvent.objects.filter(action='changed reading').last(), WriteKey.objects.last()
def add(row):
    columns = [column for column in row._meta.concrete_fields if not column.primary_key]
    values = [column.get_db_prep_save(getattr(row, column.attname), connection) for column in columns]
    names, places = ', '.join(column.column for column in columns), ', '.join(['%s'] * len(columns))
    cursor.execute(f"INSERT INTO {{row._meta.db_table}} ({{names}}) VALUES ({{places}})", values)
times = []
with connection.cursor() as cursor:
    for number in range({rounds}):
        key.key = uuid.uuid4().hex
        started = time.perf_counter()
        with transaction.atomic():
            add(key)
            cursor.execute("UPDATE alignment_reading SET value_um = %s WHERE id = %s", [number, reading])
            add(event)
            cursor.execute("UPDATE alignment_result SET x_um = %s WHERE id = %s", [number, result])
        times.append(time.perf_counter() - started)
        time.sleep(0.005)
print(' '.join(f'{{one:.6f}}' for one in times))
"""


class Tablet(threading.Thread):
    """One signed-in tablet that types readings and notes how long each answer took."""

    def __init__(
        self, number: int, port: int, place: tuple[str, str], together: threading.Barrier, asked: argparse.Namespace
    ) -> None:
        super().__init__(daemon=True)
        self.number, self.port, self.start_together = number, port, together
        self.until, self.seconds, self.pause, self.moves = 0.0, asked.seconds, asked.pause, asked.moves
        seat = "" if asked.moves else "&seat=rear"
        self.page = f"/visits/{place[0]}/stations/{place[1]}/?stage=as_found{seat}"
        self.path = self.page.replace("/?", "/reading/?")
        self.times: list[float] = []
        self.wrong: list[int] = []
        self.cookies: dict[str, str] = {}

    def call(self, method: str, path: str, form: dict[str, Any] | None = None) -> http.client.HTTPResponse:
        """Send one request on the kept connection and keep the cookies."""
        headers = {"Cookie": "; ".join(f"{k}={v}" for k, v in self.cookies.items()), "HX-Request": "true"}
        if form is not None:
            headers |= {"Content-Type": "application/x-www-form-urlencoded", "X-CSRFToken": self.cookies["csrftoken"]}
            headers["X-Write-Key"] = uuid.uuid4().hex
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
        answer.read()
        return answer

    def run(self) -> None:
        """Sign in, open the screen, and type until the time is over."""
        self.connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=300)
        try:
            self.call("GET", "/sign-in/")
            self.call("POST", "/sign-in/", {"username": f"bench{self.number}", "password": PASSWORD})
            self.call("GET", self.page)
        except BaseException:
            self.start_together.abort()  # the others would wait for it to the end of their patience
            raise
        self.start_together.wait(timeout=600)
        self.until = time.monotonic() + self.seconds
        time.sleep(self.number % 50 / 50.0 * self.pause)
        versions = dict.fromkeys(range(4), 0)
        count = 0
        while time.monotonic() < self.until:
            place = count % 4
            # Never so small that the form asks back; those of a move differ from round to round, and close.
            dial_um = OUT[place] + count // 4 % 5 if self.moves else count * 7 % 90 + 10
            value = f"{dial_um / 1000:.3f}"
            form = {"repeat": 1, "angle_deg": place * 90, "value": value, "version": versions[place]}
            started = time.perf_counter()
            answer = self.call("POST", self.path, form)
            self.times.append(time.perf_counter() - started)
            if answer.status != 200:
                self.wrong.append(answer.status)
            versions[place] = int(answer.headers.get("X-Version", versions[place]))
            count += 1
            time.sleep(self.pause)


def processor_s(first: int) -> float:
    """Return the seconds of processor that a process and all it has started have used."""
    try:
        used = Path(f"/proc/{first}/stat").read_text().rpartition(")")[2].split()
    except (FileNotFoundError, ProcessLookupError):
        return 0.0
    return sum(map(int, used[11:15])) / TICKS + sum(processor_s(child) for child in children(first))


def postmaster(folder: str) -> int:
    """Return the first process of the private server; 0 where there is none."""
    held = Path(folder, "data", "postmaster.pid") if folder else Path("nowhere")
    return int(held.read_text().split()[0]) if held.exists() else 0


def tablets_typing(program: Program, asked: argparse.Namespace, server: int) -> None:
    """Print the round trip of one typed reading with so many tablets at once, and what it costs."""
    program.manage("migrate", "-v0")
    kind = "domer" if asked.moves else "tool_pack"
    told = program.manage("shell", "-v0", "-c", PREPARE.format(tablets=asked.tablets, kind=kind))
    program.start()
    together = threading.Barrier(asked.tablets + 1)
    places: list[tuple[str, str]] = [(visit, station) for visit, station in map(str.split, told.splitlines())]
    crowd = [Tablet(number, program.port, place, together, asked) for number, place in enumerate(places)]
    for tablet in crowd:
        tablet.start()
    together.wait(timeout=600)
    first = program.server.pid if program.server else 0
    began = time.process_time(), processor_s(first), processor_s(server) if server else 0.0
    for tablet in crowd:
        tablet.join(asked.seconds + 400)
    ended = time.process_time(), processor_s(first), processor_s(server) if server else 0.0
    program.end()
    everything = sum(len(tablet.times) for tablet in crowd)
    used = zip(began, ended, strict=True)
    client, web, database = (1000.0 * (after - before) / everything for before, after in used)
    times = [t for tablet in crowd for t in tablet.times[2:]]
    wrong = [status for tablet in crowd for status in tablet.wrong]
    bare = [float(one) for one in program.manage("shell", "-v0", "-c", BARE.format(rounds=200)).split()]
    p50, p95 = quantile(times, 0.5), quantile(times, 0.95)
    engine, what = "PostgreSQL" if program.url else "SQLite", ", each with a move" if asked.moves else ""
    print(
        f"{engine}: {asked.tablets} tablets, a reading each every {asked.pause:g} s + answer{what}: {len(times)} "
        f"round trips, p50 {p50:.0f} ms, p95 {p95:.0f} ms, mean {1000 * statistics.fmean(times):.0f} ms, "
        f"refused or failed {len(wrong)} (goal p95 under 150 ms on 2 cores)\n"
        f"    processor a reading: program {web:.1f} ms (goal 10), database server {database:.1f} ms, "
        f"the tablets themselves {client:.1f} ms\n"
        f"    the bare transaction, alone: p50 {quantile(bare, 0.5):.1f} ms, p95 {quantile(bare, 0.95):.1f} ms; "
        f"a reading takes {p50 / quantile(bare, 0.5):.1f} times as long (p95: {p95 / quantile(bare, 0.95):.1f})"
    )


@contextlib.contextmanager
def database(engine: str) -> Iterator[tuple[str, str]]:
    """Give the address of a database that waits for the disk ('' for SQLite), and the folder of a private server."""
    given = os.environ.get("DATABASE_URL", "")
    if given or engine == "sqlite":
        yield given, ""
        return
    with own_cluster(durable=True) as cluster:
        yield cluster.url, cluster.folder


def main() -> None:
    """Print all figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--engine", choices=["sqlite", "postgres"], default="sqlite")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--tablets", type=int, default=100)
    parser.add_argument("--pause", type=float, default=2.0)
    parser.add_argument("--moves", action="store_true")
    asked = parser.parse_args()
    sums()
    with database(asked.engine) as (url, folder), scratch(url) as program:
        tablets_typing(program, asked, postmaster(folder))


if __name__ == "__main__":
    main()
