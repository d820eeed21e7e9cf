"""Many tablets for minutes against the real program: what was lost, doubled or slow.

    python -m tests.bench.soak [--minutes 5] [--tablets 50] [--pause 2.0]

Each tablet sends a reading (or a move) under a key of its own, waits for the answer, and goes on after the pause.
With DATABASE_URL it runs on that PostgreSQL, whose database must be empty; else on SQLite in a scratch folder.
"""

from __future__ import annotations

import argparse
import os
import statistics
import time
from collections import Counter

GOAL_MS = 150.0


def soak(minutes: float, tablets: int, pause: float, url: str) -> bool:
    """Print the figures; return whether nothing was lost, doubled, half or refused."""
    from tests.bench.bench_entry import quantile
    from tests.durability import checking
    from tests.durability.program import scratch
    from tests.durability.writer import Writer

    with scratch(url) as program:
        crowd = [Writer(n, program.port, needs, pause=pause) for n, needs in enumerate(program.prepare(tablets, 2))]
        program.start()
        for writer in crowd:
            writer.start()
        time.sleep(minutes * 60)
        for writer in crowd:
            writer.stopping.set()
        for writer in crowd:
            writer.join(120)
        found = checking.look(program, [write for writer in crowd for write in writer.acknowledged])
    times = [one for writer in crowd for one in writer.times[2:]] or [one for writer in crowd for one in writer.times]
    if not times:
        print("No answer came in that time: give it more minutes.")
        return False
    refused = [said for writer in crowd for said in writer.refused]
    failed = sum((writer.failed for writer in crowd), Counter())
    print(
        f"{'PostgreSQL' if url else 'SQLite'}: {tablets} tablets for {minutes:g} min, a write each every {pause:g} s "
        f"+ answer: {found.acknowledged} acknowledged, {found.lost} lost, {found.doubled} doubled, "
        f"{found.half} half, "
        f"{len(refused)} refused, no or a bad answer {dict(failed)}; p50 {quantile(times, 0.5):.0f} ms, "
        f"p95 {quantile(times, 0.95):.0f} ms, mean {1000 * statistics.fmean(times):.0f} ms "
        f"(goals 0, 0, 0 and p95 under {GOAL_MS:.0f} ms on 2 cores)"
    )
    for said in refused[:5]:
        print(said)
    return not (found.lost or found.doubled or found.half or refused)


def main() -> int:
    """Read what is asked, run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--tablets", type=int, default=50)
    parser.add_argument("--pause", type=float, default=2.0)
    chosen = parser.parse_args()
    url = os.environ.pop("DATABASE_URL", "")
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    import django

    django.setup()
    return 0 if soak(chosen.minutes, chosen.tablets, chosen.pause, url) else 1


if __name__ == "__main__":
    raise SystemExit(main())
