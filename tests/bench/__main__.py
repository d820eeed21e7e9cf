"""Every figure of the README in one run, on SQLite and PostgreSQL: python -m tests.bench

The parts can be run alone: python -m tests.bench.bench_entry, bench_pages, bench_import, bench_demo, bench_capture,
bench_line, bench_large, bench_doubt, fleets, bench_idle, bench_start, bench_ready,
bench_chart, bench_typing, bench_warm_up, bench_helped, bench_signals, bench_trace, bench_repeats,
bench_monthly, bench_plan; bench_given judges plants that come as files.
Nothing is asserted; figures depend on the machine, so goals and ratios are printed beside them.
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys

ON_BOTH_BY_THEMSELVES = (
    *("bench_import", "bench_pages", "bench_demo", "bench_capture", "bench_line"),
    *("bench_large", "bench_doubt", "fleets", "bench_idle", "bench_start", "bench_ready"),
    *("bench_chart", "bench_typing", "bench_warm_up", "bench_helped", "bench_signals", "bench_trace"),
    *("bench_repeats", "bench_monthly", "bench_plan"),
)


def run(part: str, *words: str) -> None:
    """Run one part in a process of its own."""
    print(f"\n== {part} {' '.join(words)}", flush=True)
    subprocess.run([sys.executable, "-m", f"tests.bench.{part}", *words], check=False)


def main() -> None:
    """Run all parts."""
    print(f"{platform.platform()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    for words in (("--engine", "sqlite", "--tablets", "100"), ("--engine", "postgres", "--tablets", "150")):
        run("bench_entry", *words)
        run("bench_entry", *words, "--moves")
    for part in ON_BOTH_BY_THEMSELVES:
        run(part)


if __name__ == "__main__":
    main()
