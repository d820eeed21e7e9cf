"""Files that do harm, for our own readers: the attacks by name, and mutations of sound files. All invented."""

from __future__ import annotations

import io
import random
import struct
import zipfile
import zlib
from dataclasses import replace

import polars as pl
from PIL import Image

from tests.calc.capture.known import QUIET, frame_of, rows_of
from tests.production import helpers

HEAD = helpers.HEADING.split(",")


def unzipped(content: bytes) -> dict[str, bytes]:
    """The parts of a zip."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def zipped(parts: dict[str, bytes]) -> bytes:
    """A zip of these parts."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return out.getvalue()


def sound_workbook() -> bytes:
    """A workbook with one good row."""
    return helpers.workbook([HEAD, ["BM 1", "2026-03-01", "A", 100000, 320, 4, 5, 1, 12.5]])


def stray_cell(name: str) -> bytes:
    """A workbook with one more cell of this name at the end of its only sheet."""
    parts = unzipped(sound_workbook())
    row = int("".join(sign for sign in name if sign.isdigit()))
    cell = f'<row r="{row}"><c r="{name}"><v>1</v></c></row></sheetData>'.encode()
    sheet = "xl/worksheets/sheet1.xml"
    parts[sheet] = parts[sheet].replace(b"</sheetData>", cell)
    return zipped(parts)


def document_type(encoding: str) -> bytes:
    """A workbook whose first part has a document type, written in this encoding."""
    parts = unzipped(sound_workbook())
    text = parts["xl/workbook.xml"].decode().partition("?>")[2] or parts["xl/workbook.xml"].decode()
    head = f'<?xml version="1.0" encoding="{encoding}"?><!DOCTYPE x [<!ENTITY a "aaaa">]>'
    parts["xl/workbook.xml"] = (head + text).encode(encoding)
    return zipped(parts)


def parquet_bomb(rows: int = 60_000_000) -> bytes:
    """A Parquet file of a few kB whose columns unpack to half a gigabyte each."""
    names = ("time", "pulse", "oil", *(f"p{hour}" for hour in (12, 3, 6, 9)))
    table = pl.LazyFrame({"one": [0.0]}).select(pl.repeat(0.0, rows).alias(name) for name in names)
    out = io.BytesIO()
    table.collect().write_parquet(out, compression="zstd", row_group_size=rows, data_page_size=1 << 30)
    return out.getvalue()


def many_cells(rows: int = 6_000) -> bytes:
    """A workbook whose cells take more memory than 10 MB."""
    return helpers.workbook([HEAD, *([f"{row} {'x' * 40}"] * 40 for row in range(rows))])


def picture_bomb(side: int = 7000, rows: int | None = None) -> bytes:
    """A small PNG of nearly 50 million pixels, four bytes each when it is decoded; of which `rows` are there."""

    def chunk(kind: bytes, content: bytes) -> bytes:
        return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))

    packer = zlib.compressobj(9)
    content = b"".join(packer.compress(bytes(1 + 4 * side)) for _ in range(rows or side)) + packer.flush()
    head = struct.pack(">IIBBBBB", side, side, 8, 6, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", content) + chunk(b"IEND", b"")


def sound_picture(kind: str, side: int = 160) -> bytes:
    """A small picture."""
    out = io.BytesIO()
    Image.effect_noise((side, side), 60).convert("RGB").save(out, kind)
    return out.getvalue()


def sound_capture(kind: str) -> bytes:
    """A short running capture as CSV or Parquet."""
    table = frame_of(rows_of(replace(QUIET, strokes=24.0, rate_hz=700.0)))
    if kind == "csv":
        return table.write_csv().encode()
    out = io.BytesIO()
    table.write_parquet(out)
    return out.getvalue()


def mutated(content: bytes, chance: random.Random) -> bytes:
    """One to eight changes of a file; in a workbook or PNG mostly past its check sums, which else stop them all."""
    if content.startswith(b"PK") and chance.random() < 0.7:
        parts = unzipped(content)
        name = chance.choice(sorted(parts))
        parts[name] = mutated(parts[name] or b"x", chance)
        return zipped(parts)
    data = bytearray(content)
    for _ in range(chance.randint(1, 8)):
        if data:
            at = chance.randrange(len(data))
            to = min(len(data), at + chance.randint(1, 64))
            chance.choices(CHANGES, WEIGHTS)[0](data, at, to, chance)
    if content.startswith(b"\x89PNG") and chance.random() < 0.7:
        return _summed(bytes(data))
    return bytes(data)


def _flip(data: bytearray, at: int, to: int, chance: random.Random) -> None:
    data[at] ^= 1 << chance.randrange(8)


def _byte(data: bytearray, at: int, to: int, chance: random.Random) -> None:
    data[at] = chance.randrange(256)


def _number(data: bytearray, at: int, to: int, chance: random.Random) -> None:
    data[at : at + 4] = struct.pack("<I", chance.choice((0, 1, 0x7FFFFFFF, 0xFFFFFFFF, 1 << 28)))


def _cut(data: bytearray, at: int, to: int, chance: random.Random) -> None:
    del data[at:to]


def _double(data: bytearray, at: int, to: int, chance: random.Random) -> None:
    data[at:at] = data[at:to] * chance.randint(1, 20)


def _replace(data: bytearray, at: int, to: int, chance: random.Random) -> None:
    data[at:to] = chance.choice((b"\x00", b"\xff", b'"', b",", b"\n", b"1e308", b"A1:XFD1048576"))


def _end(data: bytearray, at: int, to: int, chance: random.Random) -> None:
    del data[at:]


CHANGES = (_flip, _byte, _number, _cut, _double, _replace, _end)
WEIGHTS = (3, 3, 3, 3, 3, 3, 1)


def _summed(picture: bytes) -> bytes:
    """A PNG with the check sum of each of its chunks put right, as far as its chunks can be told apart."""
    data, at = bytearray(picture), 8
    while at + 12 <= len(data):
        end = at + 8 + int.from_bytes(data[at : at + 4], "big")
        if end + 4 > len(data):
            break
        data[end : end + 4] = struct.pack(">I", zlib.crc32(bytes(data[at + 4 : end])))
        at = end + 4
    return bytes(data)
