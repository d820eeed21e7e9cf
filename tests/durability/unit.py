"""The service manager's part: start `serve` by the rules of the unit file in the README, and again when it ends."""

from __future__ import annotations

import configparser
import re
import sys
from pathlib import Path
from textwrap import dedent

README = Path(__file__).resolve().parents[2] / "README.md"


def unit() -> configparser.ConfigParser:
    """Return the unit file that the README gives."""
    text = re.search(r"```ini\n(\s*\[Unit\].*?)```", README.read_text(), re.DOTALL)
    assert text, "the README has no unit file"
    found = configparser.ConfigParser(interpolation=None, strict=True)
    found.optionxform = str  # its names are in capitals and small letters
    found.read_string(dedent(text[1]))
    return found


def command(port: int) -> list[str]:
    """Return the words by which the unit starts the program, with this Python and on this port."""
    words = unit()["Service"]["ExecStart"].split()
    assert words[0].endswith("/.venv/bin/linelog"), words
    return [sys.executable, "-m", "linelog", *words[1:], "--port", str(port)]


def pause_s() -> float:
    """Return the seconds after which it is started again."""
    service = unit()["Service"]
    assert service["Restart"] == "always"
    return float(service["RestartSec"])
