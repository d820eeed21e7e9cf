"""End the program's parts without warning while tablets write, and see that all is back by itself, with nothing lost.

    python -m tests.durability.kills [--each 20] [--engine sqlite|postgres] [--writers 6] [--lock 60]

The program is started by the unit file of the README. One after the other, as often each: the web processes, the
worker, `serve` itself (whose parts must be gone in 5 s; then it starts again by the unit's rules), and the PostgreSQL
server, killed with SIGKILL, or on SQLite the database's file held by another program for so many seconds. After each
the site must be back within 10 s, and what was acknowledged is compared with what is stored. A killed process is no
machine without power: what a disk itself forgets is not seen. PostgreSQL waits for the disk (fsync) as in real use.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import sqlite3
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass, field
from functools import partial
from itertools import chain, islice
from typing import Any

WAIT_S = 180.0  # for anything at all to happen: a run that hangs ends


@dataclass(slots=True)
class Outcome:
    """What a run came to; `harm` adds up what each look found."""

    engine: str
    looks: list[Any] = field(default_factory=list)
    last: Any = None
    refused: list[str] = field(default_factory=list)
    sent: int = 0
    sent_again: int = 0
    back: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))  # s until the site answered again
    gone: list[float] = field(default_factory=list)  # s until the parts of a killed `serve` were gone

    @property
    def kills(self) -> int:
        """Return how often anything was ended."""
        return len(self.looks)

    @property
    def harm(self) -> tuple[int, int, int]:
        """Return the lost, doubled and half writes of all looks together."""
        looks = [*self.looks, self.last]
        return sum(x.lost for x in looks), sum(x.doubled for x in looks), sum(x.half for x in looks)

    def __str__(self) -> str:
        lost, doubled, half = self.harm
        back = "; ".join(f"{what} {len(took)} times, back in {_figures(took)}" for what, took in self.back.items())
        return (
            f"{self.engine}: {back}; parts of a killed serve gone in {_figures(self.gone)}; "
            f"{self.last.acknowledged} writes acknowledged of {self.sent}, {lost} lost, {doubled} doubled, "
            f"{half} half; {self.last.stored} stored, sent again {self.sent_again} times, {len(self.refused)} refused"
        )


def _figures(times: list[float]) -> str:
    return f"{sorted(times)[len(times) // 2]:.1f} s (worst {max(times):.1f} s)" if times else "-"


@dataclass(slots=True)
class Run:
    """The program with tablets that write, and what can be done to it."""

    program: Any
    cluster: Any
    lock_s: float
    session: str
    outcome: Outcome
    since: float = 0.0  # when it could begin to be back

    def web(self) -> None:
        """Kill the web processes."""
        self._kill("web")

    def worker(self) -> None:
        """Kill the background worker, and wait for the next."""
        before = self.program.parts("worker")
        self._kill("worker")
        _wait(lambda: set(self.program.parts("worker")) - set(before), "a new worker")

    def _kill(self, name: str) -> None:
        self.since = time.monotonic()
        for process in self.program.parts(name):
            with suppress(ProcessLookupError):
                os.kill(process, signal.SIGKILL)

    def serve(self) -> None:
        """Kill `serve`, see its parts go, and start it again as the unit does."""
        from tests.durability import unit
        from tests.postgres import runs

        self.since = time.monotonic()
        parts = self.program.kill()
        _wait(lambda: not any(runs(process) for process in parts), "the parts to go")
        self.outcome.gone.append(time.monotonic() - self.since)
        time.sleep(unit.pause_s())
        self.program.start()

    def database(self) -> None:
        """Kill the database server and start it again; a page asked meanwhile says so."""
        self.cluster.kill()
        _wait(lambda: self.program.status("/visits/", 30.0, self.session) == 503, "a page that says so")
        self.cluster.start()
        self.since = time.monotonic()

    def lock(self) -> None:
        """Hold the file of the embedded database as another program may; pages can be read meanwhile."""
        with closing(sqlite3.connect(f"{self.program.folder}/linelog.sqlite3", timeout=60)) as other:
            other.execute("BEGIN IMMEDIATE")
            time.sleep(self.lock_s)
            other.rollback()
        self.since = time.monotonic()


def run(
    each: int,
    engine: str,
    *,
    writers: int = 6,
    seed: int = 1,
    lock_s: float = 60.0,
    say: Callable[[str], object] = print,
) -> Outcome:
    """End every part so many times under load; look into the database after each and at the end."""
    from tests.durability import checking
    from tests.durability.program import scratch
    from tests.durability.writer import Writer
    from tests.postgres import own_cluster

    chance, outcome = random.Random(seed), Outcome({"sqlite": "SQLite", "postgres": "PostgreSQL"}[engine])
    with ExitStack() as over:
        cluster = over.enter_context(own_cluster(durable=True)) if engine == "postgres" else None
        program = over.enter_context(scratch(cluster.url if cluster else ""))
        everybody = program.prepare(writers, 2 + each)
        crowd = [Writer(number, program.port, needs) for number, needs in enumerate(everybody)]
        does = Run(program, cluster, lock_s, everybody[0]["session"], outcome)
        program.start()
        for writer in crowd:
            writer.start()
        ways = ["web", "worker", "serve", "database" if cluster else "lock"]
        for what in islice(chain.from_iterable([ways] * each), each * len(ways)):
            _wait_for_writes(crowd, 6)
            time.sleep(chance.uniform(0.0, 0.8))
            getattr(does, what)()
            _wait(lambda: program.status("/visits/", 30.0, does.session) == 200, "the site to be back")
            _wait_for_writes(crowd, 1)
            outcome.back[what].append(time.monotonic() - does.since)
            outcome.looks.append(checking.look(program, _acknowledged(crowd)))
            say(f"{what}: back in {outcome.back[what][-1]:.1f} s; {outcome.looks[-1]}")
        for writer in crowd:
            writer.stopping.set()
        for writer in crowd:
            writer.join(WAIT_S)
        outcome.last = checking.look(program, _acknowledged(crowd))
    outcome.refused = [said for writer in crowd for said in writer.refused]
    outcome.sent = sum(len(writer.sent) for writer in crowd)
    outcome.sent_again = sum(writer.sent_again for writer in crowd)
    return outcome


def _acknowledged(crowd: list[Any]) -> Iterator[Any]:
    for writer in crowd:
        yield from list(writer.acknowledged)


def _wait(until: Callable[[], object], what: str) -> None:
    """Wait until something holds."""
    deadline = time.monotonic() + WAIT_S
    while not until():
        if time.monotonic() > deadline:
            raise RuntimeError(f"waited {WAIT_S:.0f} s for {what}")
        time.sleep(0.02)


def _wait_for_writes(crowd: list[Any], more: int) -> None:
    """Wait until so many further writes are acknowledged."""
    before = sum(len(writer.acknowledged) for writer in crowd)
    _wait(lambda: sum(len(writer.acknowledged) for writer in crowd) >= before + more, "writes to come through")


def main() -> int:
    """Run it and print the counts; an error where anything was lost, doubled or half."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--each", type=int, default=20)
    parser.add_argument("--engine", choices=["sqlite", "postgres"], default="sqlite")
    parser.add_argument("--writers", type=int, default=6)
    parser.add_argument("--lock", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    import django

    django.setup()
    say = partial(print, flush=True)
    outcome = run(chosen.each, chosen.engine, writers=chosen.writers, seed=chosen.seed, lock_s=chosen.lock, say=say)
    print(outcome)
    return 1 if any(outcome.harm) or outcome.refused else 0


if __name__ == "__main__":
    raise SystemExit(main())
