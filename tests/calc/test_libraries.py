"""No start waits for a large library, and none that something uses is left to be loaded by the first who asks."""

import ast
import os
import subprocess
import sys
from pathlib import Path

from linelog.calc.libraries import LATER

ROOT = Path(__file__).resolve().parents[2]
LOADED = """
import sys, django
django.setup()
import linelog.urls
print(*sys.modules)
"""


def named():
    """Every part of scipy and statsmodels that our code names."""
    for file in (ROOT / "linelog").rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text())):
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "scipy":
                yield f"scipy.{node.attr}"
            elif isinstance(node, ast.Import):
                yield from (name.name for name in node.names)
            elif isinstance(node, ast.ImportFrom) and node.module:
                yield from (f"{node.module}.{name.name}" for name in node.names)


def test_what_is_used_is_loaded_before_the_parts_of_the_program_are_forked():
    used = {name for name in named() if name.startswith(("scipy.", "statsmodels."))}
    assert "scipy.special" in used
    # a class or a function of a part is there with it
    assert {name for name in used if not name.startswith(LATER)} == set()


def test_no_page_is_loaded_with_them():
    told = subprocess.run(
        [sys.executable, "-c", LOADED],
        cwd=ROOT,
        env={**os.environ, "DJANGO_SETTINGS_MODULE": "tests.settings"},
        capture_output=True,
        text=True,
        check=True,
    )
    loaded = set(told.stdout.split())
    assert "linelog.calc.regression" in loaded
    assert loaded & {*LATER, "pandas"} == set()
