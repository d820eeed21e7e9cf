"""What a file is, by what it holds; its name is not asked."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass
from enum import StrEnum
from typing import BinaryIO

from linelog.production.reading.refusal import FileRefused

HEAD_BYTES = 65_536
BLOCK_BYTES = 1_048_576
CONTROL = re.compile(rb"[\x00-\x08\x0b\x0c\x0e-\x1f]")
NOT_TABLES = {
    b"%PDF": "a PDF document",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"GIF8": "a picture",
    b"\x1f\x8b": "a compressed file: unpack it first",
    b"7z\xbc\xaf": "a compressed file: unpack it first",
    b"Rar!": "a compressed file: unpack it first",
    b"MZ": "a program",
    b"\x7fELF": "a program",
    b"SQLite format 3": "a database",
    b"PAR1": "a Parquet file",
    b"{\\rtf": "a text document",
}
OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
MARKS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))


class Kind(StrEnum):
    """What can be read."""

    TEXT = "text"
    WORKBOOK = "workbook"


@dataclass(frozen=True, slots=True)
class Content:
    """The kind of a file; for text also its encoding, and a note where that had to be guessed."""

    kind: Kind
    encoding: str = ""
    note: str = ""


def sniff(file: BinaryIO) -> Content:
    """Say what the file holds. Raises FileRefused where it is neither text nor a workbook."""
    file.seek(0)
    head = file.read(HEAD_BYTES)
    if not head:
        raise FileRefused("The file is empty (0 bytes).")
    if head.startswith(b"PK\x03\x04"):
        return Content(Kind.WORKBOOK)
    if head.startswith(OLE):
        raise FileRefused(
            "This is an old .xls workbook, or one locked with a password: save it as .xlsx without a password."
        )
    for start, what in NOT_TABLES.items():
        if head.startswith(start):
            raise FileRefused(f"This is not a table of counts but {what}.")
    return Content(Kind.TEXT, *_encoding(file, head))


def _encoding(file: BinaryIO, head: bytes) -> tuple[str, str]:
    if head.startswith((codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE)):
        raise FileRefused("The text is written in UTF-32: save it as UTF-8.")
    for mark, encoding in MARKS:
        if head.startswith(mark):
            return _must_decode(file, encoding)
    if b"\x00" in head:
        return _must_decode(file, _utf16_without_mark(head))
    if CONTROL.search(head) or not _decodes(file, "utf-8"):
        if not _decodes(file, "cp1252"):
            raise FileRefused("This is not text that can be read: save the table as CSV in UTF-8.")
        return "cp1252", "The text is not UTF-8; it was read as Windows-1252. Check names with special letters."
    return "utf-8", ""


def _must_decode(file: BinaryIO, encoding: str) -> tuple[str, str]:
    if not _decodes(file, encoding):
        name = encoding.removesuffix("-sig").upper()
        raise FileRefused(f"The file begins as {name} text but breaks off from it: save the table again as UTF-8.")
    return encoding, ""


def _utf16_without_mark(head: bytes) -> str:
    """Every other byte of western text in UTF-16 is zero: which one tells the byte order."""
    half = max(len(head) // 2, 1)
    for encoding, zeros in (("utf-16-le", head[1::2]), ("utf-16-be", head[0::2])):
        if zeros.count(0) > 0.6 * half:
            return encoding
    raise FileRefused("This is not a table of counts: the file holds binary data.")


def _decodes(file: BinaryIO, encoding: str) -> bool:
    """Say whether the whole file is text in this encoding; reads it in blocks."""
    decoder = codecs.getincrementaldecoder(encoding)()
    wide = encoding.startswith("utf-16")
    file.seek(0)
    try:
        while block := file.read(BLOCK_BYTES):
            if CONTROL.search(decoder.decode(block).encode() if wide else block):
                return False
            if not wide:
                decoder.decode(block)
        decoder.decode(b"", final=True)
    except UnicodeError:
        return False
    return True
