"""Every reader of files from outside under mutated files: python -m tests.bench.bench_fuzz_files [FILES] [SEED].

Prints what came of them: read, refused with a sentence, or what the process that reads them was stopped at.
This process and the web's are the ones that must not end; the reading one may, and is started again.
"""

from __future__ import annotations

import os
import sys
import time

import django

FILES, SEED = 20_000, 1


def main() -> None:
    """Run and print."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
    django.setup()
    from tests.fuzzed_files import outcomes, sound_files

    files = int(sys.argv[1]) if len(sys.argv) > 1 else FILES
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else SEED
    started = time.monotonic()
    found = outcomes(-(-files // len(sound_files())), seed)
    total = sum(sum(one.values()) for one in found.values())
    for name, counts in found.items():
        print(f"{name:16} {', '.join(f'{count} {what}' for what, count in counts.most_common())}")
    print(f"{total} files in {time.monotonic() - started:.0f} s, seed {seed}; the process that asks still runs")


if __name__ == "__main__":
    main()
