"""CSV in blocks of whole lines: any encoding, bounded memory, line numbers that are right."""

from __future__ import annotations

import codecs
import io
import re
from collections.abc import Iterator
from typing import BinaryIO

import polars as pl

from linelog.production.reading.layout import Layout
from linelog.production.reading.refusal import FileRefused

BLOCK_BYTES = 4_000_000
LONGEST_LINE = 65_536
LINE, MORE, BROKEN = "line", "more", "broken"
CELLS_BEYOND = 4


def pieces(file: BinaryIO, encoding: str) -> Iterator[str]:
    """Yield the text of a file piece by piece, its line ends made line feeds."""
    decoder = io.IncrementalNewlineDecoder(codecs.getincrementaldecoder(encoding)(), translate=True)
    file.seek(0)
    while block := file.read(BLOCK_BYTES):
        yield decoder.decode(block)
    yield decoder.decode(b"", final=True)


def first_line(file: BinaryIO, encoding: str) -> str:
    """Return the heading. Raises FileRefused where the first line does not end within reason."""
    start = ""
    for piece in pieces(file, encoding):
        start += piece
        if "\n" in piece or len(start) > LONGEST_LINE:
            break
    line = start.partition("\n")[0]
    if len(line) > LONGEST_LINE:
        raise FileRefused("This is not a table: its first line does not end.")
    if not line.strip():
        raise FileRefused("The first line is empty; it must be the heading.")
    return line


def blocks(file: BinaryIO, encoding: str) -> Iterator[str]:
    """Yield the text in blocks of whole lines, the heading left out; every line ends in a line feed."""
    rest, heading = "", True
    for piece in pieces(file, encoding):
        block = rest + piece
        end = block.rfind("\n") + 1
        rest = block[end:]
        if len(rest) > LONGEST_LINE:
            raise FileRefused("This is not a table: a line of it does not end.")
        start = block.find("\n") + 1 if heading and end else 0
        heading = heading and not end
        if end > start:
            yield block[start:end]
    if rest and not heading:
        yield rest + "\n"


def batches(file: BinaryIO, encoding: str, separator: str, layout: Layout) -> Iterator[pl.DataFrame]:
    """Yield tables of text: `line`, our columns, `more` (what stands right of the heading), `broken` (bad quotes)."""
    line = 2
    for block in blocks(file, encoding):
        table = _table(block, separator, layout).with_columns(pl.int_range(line, line + pl.len()).alias(LINE))
        line += table.height
        yield table


def first_filled(names: list[str]) -> pl.Expr:
    """Return the first cell of these columns that is not empty."""
    return pl.coalesce(pl.when(pl.col(name) != "").then(pl.col(name)) for name in names)


def _table(block: str, separator: str, layout: Layout) -> pl.DataFrame:
    quoted = '"' in block
    broken = None
    if quoted:
        lines = pl.Series(block[:-1].split("\n"), dtype=pl.String)
        broken = ~lines.str.contains(_well_quoted(separator))
        if broken.any():
            block = "\n".join(lines.set(broken, "").to_list()) + "\n"
    # A heading of our own fixes the number of columns, whatever the first line of the block looks like.
    names = [f"c{number}" for number in range(len(layout.columns) + CELLS_BEYOND)]
    table = pl.read_csv(
        io.BytesIO((separator.join(names) + "\n" + block).encode()),
        separator=separator,
        quote_char='"' if quoted else None,
        infer_schema=False,
        truncate_ragged_lines=True,
    )
    if table.height != block.count("\n"):
        raise FileRefused("The lines of this file cannot be told apart: save the table again as CSV.")
    wanted = [pl.col(f"c{number}").alias(name) for number, name in enumerate(layout.columns) if name]
    return table.select(
        *wanted,
        first_filled(names[-CELLS_BEYOND:]).alias(MORE),
        pl.Series(BROKEN, broken, dtype=pl.Boolean) if broken is not None else pl.lit(False).alias(BROKEN),
    )


def _well_quoted(separator: str) -> str:
    """Return the pattern of a line whose quotes pair up (RFC 4180, section 2, without line breaks in a cell)."""
    sign = re.escape(separator)
    cell = f'(?:"(?:[^"]|"")*"|[^"{sign}]*)'
    return f"^{cell}(?:{sign}{cell})*$"
