"""Mutated files through every reader, as the program calls them: what came of each is counted."""

from __future__ import annotations

import datetime as dt
import random
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

from linelog.alignment.captures.working import CAPTURES
from linelog.calc.capture.analyse import CaptureSetup
from linelog.calc.capture.rows import Signals
from linelog.calc.errors import CalcError
from linelog.production import wall_file
from linelog.production.reading.bounds import TABLES
from linelog.production.reading.refusal import FileRefused
from linelog.web import sandbox
from linelog.web.picture_codec import NotReadable
from linelog.web.pictures import PICTURES
from tests import hostile_files
from tests.calc.capture.known import CRANK, RING
from tests.production import helpers

REFUSALS = (CalcError, FileRefused, NotReadable)
LIMITS = wall_file.Limits(dt.datetime(2026, 6, 15, tzinfo=dt.UTC), dt.UTC, 40.0, 400.0, 1.0)
WALL_HEAD = "machine,date,time,height_mm,view,unit,wall_12,wall_3,wall_6,wall_9\n"
WALL = WALL_HEAD + "BM 1,2026-03-01,10:00,60,dome,um,98,99,100,97\n"
SETUP = CaptureSetup(RING, Signals(pulse="pulse", temperature="oil"), CRANK)


def _table(path: Path) -> None:
    sandbox.call(
        "linelog.production.reading.reader:read_path",
        TABLES,
        path=str(path),
        plant=helpers.READER_PLANT,
        order=None,
        tell=lambda at: None,
    )


def _wall(path: Path) -> None:
    text = wall_file.decode(path.read_bytes())
    machines: dict[str, int] = {"bm 1": 1}
    sandbox.call("linelog.production.wall_file:read", TABLES, text=text, machines=machines, limits=LIMITS)


def _capture(path: Path) -> None:
    sandbox.call(
        "linelog.calc.capture.apart:analyse_path",
        CAPTURES,
        path=str(path),
        setup=SETUP,
        name=path.name,
        tell=lambda share: None,
    )


def _picture(path: Path) -> None:
    sandbox.call("linelog.web.picture_codec:reencode", PICTURES, content=path.read_bytes())


def sound_files() -> dict[str, tuple[bytes, Callable[[Path], None]]]:
    """A sound file of each kind, and what reads it."""
    counts = helpers.table(*(helpers.row(date=f"2026-03-{day:02d}") for day in range(1, 20)))
    return {
        "counts.csv": (counts, _table),
        "counts.xlsx": (hostile_files.sound_workbook(), _table),
        "wall.csv": (WALL.encode(), _wall),
        "capture.csv": (hostile_files.sound_capture("csv"), _capture),
        "capture.parquet": (hostile_files.sound_capture("parquet"), _capture),
        "photo.jpg": (hostile_files.sound_picture("JPEG"), _picture),
        "photo.png": (hostile_files.sound_picture("PNG"), _picture),
        "photo.webp": (hostile_files.sound_picture("WEBP"), _picture),
    }


def outcomes(each: int, seed: int) -> dict[str, Counter[str]]:
    """Mutate a sound file of each kind `each` times; count 'read', 'refused', an overrun's why, or what broke."""
    found: dict[str, Counter[str]] = {}
    with tempfile.TemporaryDirectory() as folder:
        for name, (content, read) in sound_files().items():
            chance = random.Random(f"{seed} {name}")
            path = Path(folder) / name
            path.write_bytes(content)
            read(path)  # the sound one is read, else nothing is shown by refusing its mutations
            found[name] = Counter()
            for _ in range(each):
                path.write_bytes(hostile_files.mutated(content, chance))
                found[name][outcome(read, path)] += 1
    return found


def outcome(read: Callable[[Path], Any], path: Path) -> str:
    """Say what came of one file."""
    try:
        read(path)
    except REFUSALS:
        return "refused"
    except sandbox.Overrun as overrun:
        return overrun.why
    except Exception as broke:
        return f"broke: {broke}"[:120]
    return "read"
