"""Counts as a CSV in the layout that an upload reads, and the empty template of it."""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Iterator
from typing import Any

from django.db.models import QuerySet

from linelog.plant.models import Plant
from linelog.production.models import ShiftCount, SpoilageCause
from linelog.production.names import machine_names
from linelog.production.queries import DAY_TEXT
from linelog.production.reading.layout import CAUSE, NEEDED
from linelog.production.reading.reader import NUMBERS
from linelog.production.tables import guarded

ROWS_A_PIECE = 2_000


def heading(causes: list[str]) -> list[str]:
    """Return the columns of a file of counts with these causes."""
    return [*NEEDED, *(CAUSE + code for code in causes)]


def plants_of(user: Any) -> QuerySet[Plant]:
    """Return the plants whose counts a person may see."""
    return Plant.objects.for_user(user)


def lines(rows: QuerySet[ShiftCount], plants: QuerySet[Plant]) -> Iterator[bytes]:
    """Yield the counts as CSV, piece by piece. Text that a spreadsheet would take for a formula is guarded."""
    names = {pk: guarded(name) for plant in plants for pk, name in machine_names(plant).items()}
    codes = SpoilageCause.objects.filter(plant__in=plants).order_by("code").values_list("code", flat=True)
    causes = list(dict.fromkeys(codes))
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(heading(causes))
    yield codecs.BOM_UTF8
    found = rows.annotate(**DAY_TEXT).values_list("machine_id", "day_text", "shift__code", *NUMBERS, "by_cause")
    for number, (machine_id, day, shift, *numbers, by_cause) in enumerate(found.iterator(ROWS_A_PIECE), start=1):
        minutes = f"{numbers.pop():.2f}".rstrip("0").rstrip(".")
        spoiled = [by_cause.get(code, 0) for code in causes]
        writer.writerow([names[machine_id], day, guarded(shift), *numbers, minutes, *spoiled])
        if number % ROWS_A_PIECE == 0:
            yield _emptied(text)
    yield _emptied(text)


def _emptied(text: io.StringIO) -> bytes:
    piece = text.getvalue().encode()
    text.seek(0)
    text.truncate()
    return piece


def template_csv(causes: list[str]) -> bytes:
    """Return the template as CSV: the heading alone, so that no example is stored by accident."""
    return codecs.BOM_UTF8 + (",".join(heading(causes)) + "\r\n").encode()


def template_xlsx(causes: list[str]) -> bytes:
    """Return the template as a workbook, its date column set to dates."""
    from openpyxl import Workbook

    book = Workbook()
    sheet = book.create_sheet("Counts", 0)
    del book["Sheet"]
    sheet.append(heading(causes))
    sheet.freeze_panes = "A2"
    sheet.column_dimensions["B"].number_format = "yyyy-mm-dd"
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()
