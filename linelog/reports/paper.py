"""Reports on paper: PDFs set by typst from plain text, so that nothing typed can become a command of it."""

from __future__ import annotations

import datetime as dt
import json
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import typst
from django.conf import settings

from linelog.alignment.visit_sheet import PAPERS, PERMISSION
from linelog.calc.units import Unit
from linelog.plant.models import Plant
from linelog.production.days import zone
from linelog.web import units

TEMPLATES = Path(settings.BASE_DIR) / "templates" / "reports"
SHARED = "_paper.typ"


@dataclass(frozen=True, slots=True)
class Reader:
    """For whom a report is made: the reader's unit, the plant's clock, when it was made, and on what paper."""

    plant: Plant
    unit: Unit
    at: dt.datetime
    paper: str = "a4"

    def when(self, at: dt.datetime | None) -> str:
        """Return a time by the plant's wall clock."""
        return "" if at is None else f"{at.astimezone(zone(self.plant)):%Y-%m-%d %H:%M}"

    def um(self, value: float | None, *, named: bool = False) -> str:
        """Return a length in the reader's unit."""
        return units.show_um(value, self.unit, with_unit=named)

    def head(self) -> dict[str, Any]:
        """Return what stands on every report."""
        return {
            "plant": str(self.plant),
            "zone": self.plant.timezone,
            "invented": self.plant.is_invented,
            "unit": self.unit.label,
            "made": f"Made {self.when(self.at)}",
            "permission": PERMISSION,
            "paper": PAPERS.get(self.paper, "a4"),
        }


def pdf_of(name: str, reader: Reader, content: Mapping[str, Any], photos: Mapping[str, bytes] | None = None) -> bytes:
    """Return a report as a PDF; `photos` are files by the name that the content gives them."""
    made: bytes = _compiled(name, reader, content, photos, format="pdf")
    return made


def pages_of(
    name: str, reader: Reader, content: Mapping[str, Any], photos: Mapping[str, bytes] | None = None
) -> list[bytes]:
    """Return its pages as drawings: to count them, and for whoever wants to look at them."""
    pages: Any = _compiled(name, reader, content, photos, format="png", ppi=80.0)
    return pages if isinstance(pages, list) else [pages]


def _compiled(
    name: str, reader: Reader, content: Mapping[str, Any], photos: Mapping[str, bytes] | None, **more: Any
) -> Any:
    """Set it in a folder of its own: the typesetter reads no file outside that of its document."""
    data = json.dumps({**reader.head(), **content}, ensure_ascii=False)
    with tempfile.TemporaryDirectory() as folder:
        here = Path(folder)
        for template in (f"{name}.typ", SHARED):
            (here / template).write_bytes((TEMPLATES / template).read_bytes())
        for photo, picture in (photos or {}).items():
            (here / photo).write_bytes(picture)
        document = str(here / f"{name}.typ")
        return typst.compile(document, sys_inputs={"data": data}, ignore_system_fonts=True, **more)
