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
# On PostgreSQL runs again what rests on the database: what is stored, locked, counted, searched and protected; and
# every page opens once there. What a page says and draws, computing, rules and forms are the same on any engine.
ON_BOTH_ENGINES = (
    *("test_every_page.py", "test_migrations.py"),
    *(f"web/test_{name}.py" for name in ("admin", "backup", "followers", "health", "history", "jobs", "nightly")),
    *(f"web/test_{name}.py" for name in ("pins", "prepared", "sign_in", "tablet", "worker", "writes")),
    *(
        f"alignment/test_{name}.py"
        for name in ("amended_reading", "captures", "hostile_statements", "lockout", "own_locks")
    ),
    *(f"alignment/test_{name}.py" for name in ("one_reading", "own_locks", "photos", "readings", "standing")),
    *(f"alignment/test_{name}.py" for name in ("return_to_service", "running_value", "signed_protected", "signing")),
    *(f"alignment/test_{name}.py" for name in ("unconnected", "visit_flow", "visits_out", "warm_up_page")),
    *(f"production/test_{name}.py" for name in ("count_pages", "findings", "queries", "samples", "uploads")),
    *(f"trends/test_{name}.py" for name in ("as_runs", "due", "find", "fleet", "pareto", "ranking", "reach")),
    *(f"trends/test_{name}.py" for name in ("refit", "signals", "summaries", "trace", "wall_learned")),
    *(f"trends/test_repeats{name}.py" for name in ("", "_began", "_by_month", "_taken_up")),
    *(f"planning/test_{name}.py" for name in ("calendar", "entries", "sheet", "stops_and_crew", "suggestion")),
    *(f"reports/test_{name}.py" for name in ("exports", "papers")),
)


def step(name: str, command: list[str], *, aside: bool = False, **more: str) -> bool:
    """Run one part and say how it went; further words are environment variables.

    aside  it runs beside another part: what it says is shown at its end
    """
    started = time.monotonic()
    program = [str(Path(sys.executable).parent / command[0]), *command[1:]]
    env = {**os.environ, "OPENBLAS_NUM_THREADS": "1", **more}
    env.pop("PYTHONDONTWRITEBYTECODE", None)  # the program is started a hundred times, and compiled once
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
    files = [f"tests/{part}" for part in ON_BOTH_ENGINES]
    command = [*PYTEST, *files, "-m", "not browser and not durability"]
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
