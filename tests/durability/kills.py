"""Kill the program without warning while tablets write, start it again, and count what was lost, doubled or half.

    python -m tests.durability.kills [--kills 50] [--engine sqlite|postgres] [--writers 6]

On PostgreSQL every other kill ends the database server's processes instead of the web server's; it waits for the
disk (fsync) as in real use. A killed process is not a machine without power: what a disk itself forgets is not seen.
"""

from __future__ import annotations

import argparse
import os
import random
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from typing import Any

WAIT_S = 90.0
FEWEST = 3  # kills, however slow the machine


@dataclass(slots=True)
class Outcome:
    """What a run came to; `worst` adds up what each look found."""

    engine: str
    kills: int
    looks: list[Any]
    last: Any
    refused: list[str]
    sent: int
    sent_again: int

    @property
    def harm(self) -> tuple[int, int, int]:
        """Return the lost, doubled and half writes of all looks together."""
        looks = [*self.looks, self.last]
        return sum(x.lost for x in looks), sum(x.doubled for x in looks), sum(x.half for x in looks)

    def __str__(self) -> str:
        lost, doubled, half = self.harm
        return (
            f"{self.engine}: {self.kills} kills survived; {self.last.acknowledged} writes acknowledged "
            f"of {self.sent}, {lost} lost, {doubled} doubled, {half} half; {self.last.stored} stored, "
            f"sent again {self.sent_again} times, {len(self.refused)} refused"
        )


def run(
    kills: int,
    engine: str,
    *,
    writers: int = 6,
    seed: int = 1,
    limit_s: float = 3600.0,
    say: Callable[[str], object] = print,
) -> Outcome:
    """Kill so many times under load, or until the time is over; look into the database after each and at the end."""
    from tests.durability import checking
    from tests.durability.program import scratch
    from tests.durability.writer import Writer
    from tests.postgres import own_cluster

    chance, looks = random.Random(seed), []
    with ExitStack() as over:
        cluster = over.enter_context(own_cluster(durable=True)) if engine == "postgres" else None
        program = over.enter_context(scratch(cluster.url if cluster else ""))
        crowd = [Writer(n, program.port, needs) for n, needs in enumerate(program.prepare(writers, 3))]
        program.start()
        for writer in crowd:
            writer.start()
        until = time.monotonic() + limit_s  # the kills alone: how long the rest takes hangs on the machine
        for number in range(kills):
            if number >= FEWEST and time.monotonic() > until:
                break
            _wait_for_writes(crowd, 6)
            time.sleep(chance.uniform(0.0, 0.8))
            if cluster and number % 2:
                cluster.kill()
                cluster.start()
            else:
                program.end()
            looks.append(checking.look(program, _acknowledged(crowd)))
            say(f"kill {number + 1}: {looks[-1]}")
            if program.server is None:
                program.start()
        _wait_for_writes(crowd, 6)
        for writer in crowd:
            writer.stopping.set()
        for writer in crowd:
            writer.join(WAIT_S)
        last = checking.look(program, _acknowledged(crowd))
    return Outcome(
        engine={"sqlite": "SQLite", "postgres": "PostgreSQL"}[engine],
        kills=len(looks),
        looks=looks,
        last=last,
        refused=[said for writer in crowd for said in writer.refused],
        sent=sum(len(writer.sent) for writer in crowd),
        sent_again=sum(writer.sent_again for writer in crowd),
    )


def _acknowledged(crowd: list[Any]) -> Iterator[Any]:
    for writer in crowd:
        yield from list(writer.acknowledged)


def _wait_for_writes(crowd: list[Any], more: int) -> None:
    """Wait until so many further writes are acknowledged."""
    before, deadline = sum(len(writer.acknowledged) for writer in crowd), time.monotonic() + WAIT_S
    while sum(len(writer.acknowledged) for writer in crowd) < before + more:
        if time.monotonic() > deadline:
            raise RuntimeError(f"no writes came through: {[writer.refused[-1:] for writer in crowd]}")
        time.sleep(0.02)


def main() -> int:
    """Run it and print the counts; an error where anything was lost, doubled or half."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--engine", choices=["sqlite", "postgres"], default="sqlite")
    parser.add_argument("--writers", type=int, default=6)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    import django

    django.setup()
    outcome = run(chosen.kills, chosen.engine, writers=chosen.writers, seed=chosen.seed)
    print(outcome)
    return 1 if any(outcome.harm) or outcome.refused else 0


if __name__ == "__main__":
    raise SystemExit(main())
