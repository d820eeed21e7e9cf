"""Every check of the project in one command: rules, types, imports, the tests on both databases and in a browser.

On CI (CI=true) nothing may be missing: without PostgreSQL or Chromium the run fails.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tests.postgres import Absent, private_cluster

ROOT = Path(__file__).resolve().parent.parent
ON_CI = os.environ.get("CI") == "true"
PYTEST = ["pytest", "-q", "-n", "auto", "--dist", "loadfile"]
# What a page says and draws, computing, the rules of the house, rights and headers, set-up forms, what is read from
# files, the server's own parts, the invented plant and forms sent nonsense are run on SQLite alone. On PostgreSQL run
# what is stored, locked, counted, searched and protected, and every page opens once (tests/test_every_page.py).
SAME_ON_ANY_ENGINE = (
    *("calc", "demo", "plant", "test_house.py", "test_access.py", "test_inches.py", "test_files_from_outside.py"),
    *(f"web/test_{name}.py" for name in ("at_the_door", "collected", "errors", "fuzz", "made_for", "requests")),
    *(f"web/test_{name}.py" for name in ("sandbox", "security", "serve", "server", "supervise", "turns", "units")),
    *(f"production/test_{name}.py" for name in ("reader", "wall_file", "wall_typed")),
    *(f"alignment/test_{name}.py" for name in ("bar", "capture_bad_input", "capture_fuzz", "capture_pages")),
    *(f"alignment/test_{name}.py" for name in ("doubtful", "fuzz", "line_page", "present_state", "ram_page")),
    *(f"alignment/test_{name}.py" for name in ("reconciled_page", "running_move", "visit_sheet", "whose_unit")),
    *(f"trends/test_{name}.py" for name in ("clock", "figures", "series", "wall_page")),
    "planning/test_one_answer.py",
)


def step(name: str, command: list[str], *, aside: bool = False, **more: str) -> bool:
    """Run one part and say how it went; further words are environment variables.

    aside  it runs beside another part: what it says is shown at its end
    """
    started = time.monotonic()
    program = [str(Path(sys.executable).parent / command[0]), *command[1:]]
    env = {**os.environ, "OPENBLAS_NUM_THREADS": "1", **more}
    if not aside:
        print(f"\n== {name}", flush=True)
    to = subprocess.PIPE if aside else None
    done = subprocess.run(
        program, cwd=ROOT, env=env, stdout=to, stderr=subprocess.STDOUT if aside else None, text=True
    )
    word = "ok" if done.returncode == 0 else "FAILED"
    said = f"\n== {name}\n{done.stdout}" if aside else ""
    print(f"{said}== {name}: {word} in {time.monotonic() - started:.0f} s", flush=True)
    return done.returncode == 0


def on_postgres() -> bool:
    """Run the tests on PostgreSQL: the server that is given, else a private one."""
    ignored = [f"--ignore=tests/{part}" for part in SAME_ON_ANY_ENGINE]
    command = [*PYTEST, *ignored, "-m", "not browser and not durability"]
    if os.environ.get("DATABASE_URL", "").startswith("postgres"):
        return step("tests on the PostgreSQL given", command)
    try:
        with private_cluster() as url:
            return step("tests on PostgreSQL", command, DATABASE_URL=url)
    except Absent as absent:
        print(f"\n== tests on PostgreSQL: {'FAILED' if ON_CI else 'left out'}: {absent}", flush=True)
        return not ON_CI


def main() -> int:
    """Run everything, also after a failure, and name what failed."""
    sqlite = {"DATABASE_URL": ""}
    outcome = {
        "rules": step("rules (ruff)", ["ruff", "check", "."]),
        "format": step("format (ruff)", ["ruff", "format", "--check", "."]),
    }
    with ThreadPoolExecutor() as beside:  # the kills wait half of their time
        kills = ["pytest", "-q", "-m", "durability"]
        killed = beside.submit(step, "kills under load", kills, aside=True, **sqlite)
        outcome["types"] = step("types (mypy)", ["mypy", "linelog"], **sqlite)
        outcome["imports"] = step("imports (import-linter)", ["lint-imports", "--no-cache"])
        outcome["sqlite"] = step("tests on SQLite", [*PYTEST, "-m", "not browser and not durability"], **sqlite)
        outcome["durability"] = killed.result()
    outcome["postgres"] = on_postgres()
    outcome["browser"] = step("tests in the browser", [*PYTEST, "-m", "browser"], **sqlite)
    failed = [name for name, good in outcome.items() if not good]
    print(f"\n{'All checks passed.' if not failed else 'Failed: ' + ', '.join(failed)}", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
