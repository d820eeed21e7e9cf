"""A small plant for the tests of counts, and files made for it."""

from __future__ import annotations

import datetime as dt
import io
from typing import Any

from django.core.files.uploadedfile import SimpleUploadedFile
from hypothesis import strategies as st
from openpyxl import Workbook

from linelog.plant.models import Shift
from linelog.production.models import SpoilageCause
from linelog.production.reading import cells, reader
from linelog.production.services import counts
from linelog.production.services.counts import Numbers
from tests import factories

HEADING = "machine,date,shift,cans,spoiled,tear_offs,short_cans,jams,minutes_down"
CAUSES = ("SPLIT", "DENT")
TODAY = dt.date(2026, 6, 15)
NOW = factories.NOW
WORDS = st.one_of(
    st.text(max_size=12), st.sampled_from(["0", "5", "-1", "1e308", "NaN", "٣", "5,5", "2026-03-01", "\x00"])
)


class Site:
    """A plant with two machines, three shifts, two causes and one person of each role that matters."""

    def __init__(self) -> None:
        self.plant = factories.plant(name="Testing Plant")
        self.line = factories.line(self.plant, name="Line 1")
        self.one = factories.machine(self.line, name="BM 1")
        self.two = factories.machine(self.line, name="BM 2")
        self.shifts = {shift.code: shift for shift in Shift.objects.filter(plant=self.plant)}
        self.causes = [SpoilageCause.objects.create(plant=self.plant, code=c, name=c.title()) for c in CAUSES]
        self.quality = factories.person("quality", self.plant)
        self.viewer = factories.person("viewer", self.plant)


def row(machine: str = "BM 1", date: str = "2026-03-01", shift: str = "A", *counts: Any) -> str:
    """One line of a file."""
    return ",".join(map(str, (machine, date, shift, *(counts or (100000, 320, 4, 5, 1, 12.5)))))


def table(*rows: str, heading: str = HEADING) -> bytes:
    """A CSV of these lines."""
    return ("\n".join([heading, *rows]) + "\n").encode()


def as_file(content: bytes, name: str = "counts.csv") -> SimpleUploadedFile:
    """The content as a browser sends it."""
    return SimpleUploadedFile(name, content)


def workbook(rows: list[list[Any]], **cells_to_set: Any) -> bytes:
    """An XLSX of these rows, with single cells set on top."""
    book = Workbook()
    sheet = book.active
    for values in rows:
        sheet.append(values)
    for place, value in cells_to_set.items():
        sheet[place] = value
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


READER_PLANT = reader.Plant(
    cells.Names(
        {"bm 1": 1, "bm 2": 2, "größe": 3, "line 1/bm x": 4}, {"a": 11, "b": 12, "c": 13}, frozenset({"bm x"})
    ),
    CAUSES,
    TODAY,
)


def read(content: bytes, **more: Any) -> reader.Reading:
    """Read a file for a plant that lives in no database."""
    return reader.read(io.BytesIO(content), READER_PLANT, **more)


def found(content: bytes) -> list[tuple[int, str, str, str]]:
    """The problems of a file."""
    return read(content).problems.rows()


def typed(site, **more):
    """A shift as a person types it."""
    first, second = site.causes
    return {
        "machine": site.one.pk, "day": "2026-03-01", "shift": site.shifts["A"].pk, "cans": "100 000",
        "spoiled": "320", f"cause_{first.pk}": "7", f"cause_{second.pk}": "", "tear_offs": "4", "short_cans": "5",
        "jams": "1", "minutes_down": "12,5", **more,
    }  # fmt: skip


def stored(site, **more):
    day, shift = more.pop("day", dt.date(2026, 3, 1)), more.pop("shift", site.shifts["A"])
    numbers = Numbers(**{"cans": 1000, "spoiled": 10, **more})
    return counts.enter(by=site.quality, at=NOW, machine=site.one, day=day, shift=shift, numbers=numbers)
