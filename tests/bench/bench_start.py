"""How long the program takes from its command to the first page, started again on what it left.

    python -m tests.bench.bench_start [--starts 5]

The first start, which makes tables and collects the static files, is printed apart. Beside the time on the clock
stands the processor time of `serve` until then: on a busy machine it is the figure that tells.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

GOAL_S = 3.0
PARTS = """
import time; began = time.process_time(); clock = time.perf_counter()
def part(name):
    global began, clock
    print(f"{name} {time.perf_counter() - clock:.2f} s (processor {time.process_time() - began:.2f} s)")
    began, clock = time.process_time(), time.perf_counter()
import django; django.setup(); part("  applications, models and tasks loaded")
from django.core.management import call_command
call_command("migrate", interactive=False, verbosity=0); part("  tables looked at, protections put in")
from linelog.web.collected import collect_if_changed
collect_if_changed(); part("  static files looked at")
from linelog import wsgi; part("  pages loaded")
"""


def start(program: Any) -> tuple[float, float]:
    """Start it; return the seconds until the sign-in page came, and those of the processor in `serve` by then."""
    began = time.monotonic()
    program.start()
    if program.status("/sign-in/", 60.0) != 200:
        raise RuntimeError(program.log()[-2000:])
    took = time.monotonic() - began
    used = Path(f"/proc/{program.server.pid}/stat").read_text().rpartition(")")[2].split()
    return took, (int(used[11]) + int(used[12])) / os.sysconf("SC_CLK_TCK")


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--starts", type=int, default=5)
    starts = parser.parse_args().starts
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    import django

    django.setup()
    from tests.durability.program import ROOT, scratch

    with scratch() as program:
        print("first start: {:.1f} s on the clock, {:.1f} s of the processor".format(*start(program)))
        program.end()
        took = []
        for _ in range(starts):
            took.append(start(program))
            program.end()
        clock, used = (sorted(times)[len(times) // 2] for times in zip(*took, strict=True))
        worst = max(one[0] for one in took)
        busy = re.match(r"\S+", Path("/proc/loadavg").read_text())
        print(
            f"started again {starts} times: median {clock:.1f} s, worst {worst:.1f} s on the clock, "
            f"{used:.1f} s of the processor (goal {GOAL_S:.0f} s on a quiet machine; its load was "
            f"{busy[0] if busy else '?'}), of which"
        )
        sys.stdout.flush()
        subprocess.run([sys.executable, "-c", PARTS], cwd=ROOT, env=program.environment, check=True)


if __name__ == "__main__":
    main()
