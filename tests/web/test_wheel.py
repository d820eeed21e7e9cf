"""The wheel holds the whole program, which runs from it without the repository."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SHOW = """import sys
import django; django.setup()
from django.conf import settings
from django.contrib.staticfiles import finders
from django.template.loader import get_template
print(settings.IS_INSTALLED, get_template("web/sign_in.html").origin.name, finders.find("web/queue.js"))
"""


def files(folder: str, pattern: str = "*") -> set[str]:
    """Return the names that files of a folder have in the wheel."""
    found = [path.relative_to(ROOT) for path in (ROOT / folder).rglob(pattern) if path.is_file()]
    return {str(path if folder == "linelog" else Path("linelog") / path) for path in found}


@pytest.fixture(scope="module")
def installed(tmp_path_factory) -> Path:
    """A folder that holds what an installer puts down."""
    folder, site = tmp_path_factory.mktemp("built"), tmp_path_factory.mktemp("site")
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    (wheel,) = folder.iterdir()
    with zipfile.ZipFile(wheel) as held:
        held.extractall(site)
    return site


def test_every_module_page_and_static_file_is_in_it_and_nothing_else(installed):
    there = {str(path.relative_to(installed)) for path in installed.rglob("*") if path.is_file()}
    wanted = files("linelog", "*.py") | files("templates") | files("static") | {"linelog/fixtures/scenario.toml"}
    assert {name for name in there if not name.startswith("linelog-")} == wanted


def test_it_finds_its_pages_and_files_within_itself(installed, tmp_path):
    environment = {"DJANGO_SETTINGS_MODULE": "linelog.settings", "LINELOG_DATA": str(tmp_path)}
    done = subprocess.run(
        [sys.executable, "-c", SHOW], cwd=installed, env=environment, check=True, capture_output=True, text=True
    )
    is_installed, *places = done.stdout.split()
    assert is_installed == "True"
    assert [Path(place).is_relative_to(installed) for place in places] == [True, True]
