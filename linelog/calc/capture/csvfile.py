"""A CSV capture, block by block: bounded memory, and the line of whatever cannot be read.

A comma, semicolon or tab separates; with the other two a decimal comma is understood. Lines above the header are
passed over; the header is the first line that names every column wanted.
"""

from collections.abc import Generator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from linelog.calc.capture.rows import missing_columns
from linelog.calc.errors import CalcError

BLOCK_BYTES = 8 << 20
_HEAD_BYTES = 1 << 16
_SEPARATORS = (",", ";", "\t")

Parsed = tuple[int, float, pl.DataFrame]


@dataclass(frozen=True, slots=True)
class Layout:
    """Names of all columns, what separates them, and where the first line of numbers is (byte and line number)."""

    names: tuple[str, ...]
    separator: str
    decimal_comma: bool
    body_at: int
    first_line: int

    @property
    def header(self) -> bytes:
        """A header of plain numbered names, to stand before every block: the file's own may be quoted or doubled."""
        return self.separator.join(f"c{index}" for index in range(len(self.names))).encode() + b"\n"


def csv_layout(path: Path, wanted: tuple[str, ...]) -> Layout:
    """Find the header; raise `CalcError` naming the missing columns where no line has them all."""
    with path.open("rb") as file:
        head = file.read(_HEAD_BYTES)
    lines = head.split(b"\n")
    best: tuple[int, tuple[str, ...]] = (-1, ())
    at = 0
    for number, raw in enumerate(lines):
        line = _decode(raw)
        for separator in _SEPARATORS:
            names = tuple(cell.strip().strip("\"'").strip() for cell in line.rstrip("\r").split(separator))
            found = len(set(wanted) & set(names))
            if found == len(wanted):
                body = _decode(lines[number + 1]) if number + 1 < len(lines) else ""
                return Layout(names, separator, separator != "," and "," in body, at + len(raw) + 1, number + 2)
            if (found, len(names)) > (best[0], len(best[1])) and line.strip():
                best = (found, names)
        at += len(raw) + 1
    raise missing_columns(wanted, best[1])


class CsvBlocks:
    """A CSV file cut into blocks of whole lines; `notes` is told what was left out at its end."""

    def __init__(self, path: Path, wanted: tuple[str, ...], notes: list[str]) -> None:
        self.path, self.wanted, self.notes = path, wanted, notes
        self.layout = csv_layout(path, wanted)
        self.size = path.stat().st_size
        self.columns = [f"c{self.layout.names.index(name)}" for name in wanted]
        self.line = self.layout.first_line

    def frames(self) -> Generator[Parsed]:
        """Yield line of the first row, share read so far, and the rows, block by block."""
        with self.path.open("rb") as file:
            file.seek(self.layout.body_at)
            rest = b""
            while block := file.read(BLOCK_BYTES):
                cut = block.rfind(b"\n") + 1
                if cut == 0 and len(rest) + len(block) > BLOCK_BYTES:
                    raise CalcError(f"Line {self.line:,} never ends: this is not a table.", field="file")
                if cut:
                    lines = b"".join((self.layout.header, rest, memoryview(block)[:cut]))
                    yield self._parse(lines, file.tell() / self.size)
                rest = block[cut:] if cut else rest + block
            if rest.strip():
                yield self._parse(self.layout.header + self._last(rest), 1.0)

    def _last(self, line: bytes) -> bytes:
        """Return the last line, which has no end, or nothing where it was cut off within its columns."""
        values = line.count(self.layout.separator.encode()) + 1
        if values >= len(self.layout.names):
            return line
        self.notes.append(
            f"The file stops in the middle of line {self.line:,}, which was left out: "
            "if the capture should be longer, copy it again."
        )
        return b""

    def _parse(self, lines: bytes, done: float) -> Parsed:
        first = self.line
        try:
            frame = pl.read_csv(
                lines,
                columns=self.columns,
                schema_overrides=dict.fromkeys(self.columns, pl.Float64),
                separator=self.layout.separator,
                decimal_comma=self.layout.decimal_comma,
                quote_char=None,
                infer_schema=False,
            )
        except pl.exceptions.PolarsError:
            frame = self._parse_slowly(lines)
        self.line += frame.height
        if any(frame[column].null_count() for column in self.columns):
            self._check_widths(lines, first)
            frame = _without_blank_lines(frame)
        return first, done, frame.rename(dict(zip(self.columns, self.wanted, strict=True)))

    def _parse_slowly(self, lines: bytes) -> pl.DataFrame:
        """Parse what has blanks or quotes round its numbers; name the line of what is no number."""
        self._check_widths(lines, self.line)
        try:
            text = pl.read_csv(
                lines,
                columns=self.columns,
                separator=self.layout.separator,
                quote_char=None,
                infer_schema=False,
                encoding="utf8-lossy",
            ).select(pl.all().str.strip_chars(" \t\"'").replace("", None))
        except pl.exceptions.PolarsError:
            raise CalcError(
                f"From line {self.line:,} on the file holds no table: export it again.", field="file"
            ) from None
        if self.layout.decimal_comma:
            text = text.select(pl.all().str.replace(",", ".", literal=True))
        frame = text.select(pl.all().cast(pl.Float64, strict=False))
        for column, name in zip(self.columns, self.wanted, strict=True):
            bad = (frame[column].is_null() & text[column].is_not_null()).arg_max()
            if bad is not None and frame[column][bad] is None and text[column][bad] is not None:
                shown = str(text[column][bad])[:30]
                raise CalcError(f"Line {self.line + bad:,}, column {name}: {shown!r} is not a number.", field="file")
        return frame

    def _check_widths(self, lines: bytes, first: int) -> None:
        """Raise `CalcError` for a line with too few or too many values; blank lines pass."""
        separator, wide = self.layout.separator.encode(), len(self.layout.names) - 1
        array = np.frombuffer(lines, np.uint8)
        if np.count_nonzero(array == separator[0]) == wide * np.count_nonzero(array == 10):
            return
        for number, line in enumerate(lines.split(b"\n")[1:]):
            if line.strip() and line.count(separator) != wide:
                raise CalcError(
                    f"Line {first + number:,} has {line.count(separator) + 1} values, the header has {wide + 1}.",
                    field="file",
                )


def _without_blank_lines(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.filter(~pl.all_horizontal(pl.all().is_null()))


def _decode(raw: bytes) -> str:
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")
