"""Type at random while the tablet's store and the network are slow, cut and restored; compare with what was typed.

    python -m tests.bench.bench_typing [--schedules 300] [--first 0]

Each schedule is a person at one station: readings, note, moves, running values, set-up, in random order; a fifth as
many more are at a bushing with its clearance, and as many in a visit begun without a connection. Prints every
schedule whose page or server had something else than was typed.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys


def main() -> None:
    """Run the browser test over so many schedules."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--schedules", type=int, default=300)
    parser.add_argument("--first", type=int, default=0)
    asked = parser.parse_args()
    span = f"{asked.first}:{asked.first + asked.schedules}"
    command = [sys.executable, "-m", "pytest", "-q", "-s", "tests/browser/offline/test_typing.py"]
    sys.exit(subprocess.run(command, env={**os.environ, "LINELOG_TYPING": span}, check=False).returncode)


if __name__ == "__main__":
    main()
