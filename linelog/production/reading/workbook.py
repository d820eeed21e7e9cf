"""XLSX: looked through before it is opened (zip bombs, formulas, stray cells), then read in one go.

A workbook is a zip of XML parts (ECMA-376). The directory of the zip may lie about sizes, so every part is
also unpacked once against the limit. The reader builds a full rectangle up to the farthest cell, so a stray
cell far to the right is refused beforehand: it would take all the memory.
"""

from __future__ import annotations

import re
import string
import struct
import zipfile
import zlib
from collections import deque
from collections.abc import Callable, Iterator
from typing import BinaryIO
from xml.etree import ElementTree
from xml.parsers import expat

import fastexcel
import polars as pl

from linelog.production.reading.layout import MOST_COLUMNS, Layout
from linelog.production.reading.refusal import FileRefused
from linelog.production.reading.text import BROKEN, CELLS_BEYOND, LINE, MORE, first_filled

MOST_BYTES = 700_000_000  # unpacked; a million rows of our layout are about 450 MB
MOST_PARTS = 2_000
MOST_SHEETS_XML = 4_000_000
BLOCK = 1_048_576
OVERLAP = 512
MOST_SKIPPED = 20_000  # empty rows on end; more are looked at
MOST_SKIPPED_CELLS = 20_000_000
SHORTEST_ROW = 12  # bytes of an empty row
NEAR_END = 65_536
LOCAL_HEADER = 30  # bytes before the name of a part in a zip
ROWS_A_BATCH = 100_000
# As nearly every program writes it, and (ten times slower) every spelling that XML allows.
FORMULA, ANY_FORMULA = re.compile(rb"<f[\s/>]"), re.compile(rb"<(?:\w+:)?f[\s/>]")
# Beyond column BL, the 64th; small letters name the same cell to the reader.
FAR_NAME = rb"(?:[A-Za-z]{3}|[Bb][M-Zm-z]|[C-Zc-z][A-Za-z])[0-9]"
FAR_CELL, ANY_FAR_CELL = re.compile(rb'r="' + FAR_NAME), re.compile(rb"\br\s*=\s*[\"']" + FAR_NAME)
CELL = re.compile(rb"\br\s*=\s*[\"']([A-Za-z]{1,3}[0-9]{1,7})[\"']")
UNUSUAL = (b" r='", b" r =", b" r= ", b":row>")
SHEETS = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}sheet"
REL_ID = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"
ODD = "This workbook cannot be read: open it in a spreadsheet program and save it again as .xlsx."


def open_sheet(file: BinaryIO, tell: Callable[[int], None]) -> tuple[pl.DataFrame, str]:
    """Return the first sheet as text cells from its row 1 on, and its name. Raises FileRefused."""
    try:
        with zipfile.ZipFile(file) as archive:
            part = _first_sheet_part(archive)
            _look_through(file, archive, part, tell)
    except (
        zipfile.BadZipFile,
        zlib.error,
        ElementTree.ParseError,
        KeyError,
        ValueError,
        RuntimeError,  # what zipfile raises for a part that is locked, or packed in a way that it does not know
    ) as error:
        raise FileRefused(ODD) from error
    file.seek(0)
    try:
        reader = fastexcel.read_excel(file.read())
        sheet = reader.load_sheet(0, header_row=None, skip_rows=0, dtypes="string")
        return sheet.to_polars(), reader.sheet_names[0]
    except (fastexcel.FastExcelError, ValueError) as error:
        raise FileRefused(ODD) from error
    except BaseException as error:  # a panic of the reader is no Exception, and has no type to import
        if type(error).__name__ != "PanicException":
            raise
        raise FileRefused(ODD) from error


def batches(table: pl.DataFrame, layout: Layout) -> Iterator[pl.DataFrame]:
    """Yield the sheet in the same shape as the batches of a CSV."""
    width = len(layout.columns)
    names = table.columns
    beyond = names[width : width + CELLS_BEYOND]
    wanted = [pl.col(names[number]).alias(name) for number, name in enumerate(layout.columns) if name]
    more = first_filled(beyond) if beyond else pl.lit(None, dtype=pl.String)
    for start in range(1, table.height, ROWS_A_BATCH):
        yield table.slice(start, ROWS_A_BATCH).select(
            *wanted,
            more.alias(MORE),
            pl.lit(False).alias(BROKEN),
            pl.int_range(start + 1, start + 1 + pl.len()).alias(LINE),
        )


def _first_sheet_part(archive: zipfile.ZipFile) -> str:
    """Return the name of the part that holds the first sheet; check what the directory declares."""
    parts = archive.infolist()
    names = {part.filename for part in parts}
    if "xl/workbook.xml" not in names:
        raise FileRefused("This is a zip file but not an .xlsx workbook: save the table as .xlsx or as CSV.")
    if any(part.flag_bits & 1 for part in parts):
        raise FileRefused("The workbook is locked with a password: save it without one.")
    if len(parts) > MOST_PARTS or sum(part.file_size for part in parts) > MOST_BYTES:
        raise FileRefused(_too_big())
    targets = {
        found.get("Id"): found.get("Target", "") for found in _small_xml(archive, "xl/_rels/workbook.xml.rels").iter()
    }
    first = next(_small_xml(archive, "xl/workbook.xml").iter(SHEETS), None)
    if first is None:
        raise FileRefused("The workbook has no sheet with a table.")
    target = targets[first.get(REL_ID)]
    return target.lstrip("/") if target.startswith("/") else f"xl/{target}"


def _small_xml(archive: zipfile.ZipFile, name: str) -> ElementTree.Element:
    text = archive.open(name).read(MOST_SHEETS_XML)
    _refuse_document_type(text)
    return ElementTree.fromstring(text)  # noqa: S314 - without a document type, refused above, no entity expands


def _refuse_document_type(text: bytes) -> None:
    """Refuse a document type in whatever encoding: asked of the parser itself, which stops where one begins."""

    def refuse(*begun: object) -> None:
        raise FileRefused(ODD)

    parser = expat.ParserCreate()
    parser.StartDoctypeDeclHandler = refuse
    try:
        parser.Parse(text, True)
    except expat.ExpatError as error:
        raise FileRefused(ODD) from error


def _too_big() -> str:
    return (
        f"Unpacked this workbook is larger than {MOST_BYTES // 1_000_000} MB: "
        "save the table as CSV, or take what is not the table out of the workbook."
    )


def _look_through(file: BinaryIO, archive: zipfile.ZipFile, sheet: str, tell: Callable[[int], None]) -> None:
    """Unpack every part once, whatever its declared size, and look for what would do harm."""
    archive.getinfo(sheet)
    total = 0
    for part in archive.infolist():
        before, last_cell = b"", ""
        for block in _unpacked(file, part):
            total += len(block)
            tell(file.tell())
            if total > MOST_BYTES:
                raise FileRefused(_too_big())
            if part.filename == sheet:
                _check_rows(block, last_cell)
                if not before and block[:2] in (b"\xff\xfe", b"\xfe\xff"):
                    raise FileRefused(ODD)
                last_cell = _check_cells(before + block, last_cell)
                before = block[-OVERLAP:]


def _check_rows(text: bytes, last_cell: str) -> None:
    """Refuse a cell that stands far below the one before it: the reader would fill all rows between."""
    near_end = deque(CELL.finditer(text, max(0, len(text) - NEAR_END)), maxlen=1)
    row = _row(last_cell)
    if not near_end or _row(near_end[0].group(1).decode()) - row <= MOST_SKIPPED + len(text) // SHORTEST_ROW:
        return
    for cell in CELL.finditer(text):
        name = cell.group(1).decode()
        skipped = _row(name) - row
        if skipped * _column(name) > MOST_SKIPPED_CELLS:
            raise FileRefused(f"The sheet has a cell at {name}, {skipped:,} rows below the last one: clear it.")
        row = _row(name)


def _row(cell: str) -> int:
    """Return the row of a cell by its name; 0 before the first."""
    return int(cell.lstrip(string.ascii_letters) or 0)


def _column(cell: str) -> int:
    """Return the number of a cell's column by its name: A is 1."""
    number = 0
    for letter in cell.rstrip(string.digits).upper():
        number = 26 * number + ord(letter) - ord("A") + 1
    return number


def _unpacked(file: BinaryIO, part: zipfile.ZipInfo) -> Iterator[bytes]:
    """Yield what a part really holds, in blocks: zipfile itself would stop at the size that is declared."""
    if part.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise zipfile.BadZipFile("a way of packing that spreadsheet programs do not use")
    if part.header_offset < 0:
        raise zipfile.BadZipFile("a part begins before the file")
    file.seek(part.header_offset)
    fixed = file.read(LOCAL_HEADER)
    if len(fixed) < LOCAL_HEADER:
        raise zipfile.BadZipFile("a part begins beyond the end")
    name_length, extra_length = struct.unpack("<HH", fixed[26:])
    file.seek(name_length + extra_length, 1)
    left = part.compress_size
    unpack = zlib.decompressobj(-15)
    while left > 0 and (packed := file.read(min(65_536, left))):
        left -= len(packed)
        if part.compress_type == zipfile.ZIP_STORED:
            yield packed
            continue
        while packed:
            yield unpack.decompress(packed, BLOCK)
            packed = unpack.unconsumed_tail


def _check_cells(text: bytes, last_cell: str) -> str:
    """Refuse formulas and stray cells in a piece of a sheet; return the last cell's name for the next piece."""
    usual = not any(spelling in text for spelling in UNUSUAL)
    far = (FAR_CELL if usual else ANY_FAR_CELL).search(text)
    if far:
        cell = CELL.search(text, far.start())
        where = cell.group(1).decode() if cell else "far to the right"
        raise FileRefused(
            f"The sheet has a cell at {where}; {MOST_COLUMNS} columns is the most that is read. Clear it."
        )
    formula = (FORMULA if usual else ANY_FORMULA).search(text)
    if formula:
        cells = CELL.findall(text, 0, formula.start())
        where = cells[-1].decode() if cells else last_cell or "a cell"
        raise FileRefused(
            f"The sheet holds formulas (the first at {where}): copy the table and paste it as values only."
        )
    end = [match.group(1) for match in CELL.finditer(text, max(0, len(text) - OVERLAP))]
    return end[-1].decode() if end else last_cell
