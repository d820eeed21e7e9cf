"""The file that a backup is: written whole or not at all, and looked through part by part."""

from __future__ import annotations

import hashlib
import json
import os
import struct
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from linelog.web.disk import settle
from linelog.web.errors import Refused

FORMAT = 1
MANIFEST = "manifest.json"
TABLES, FILES = "tables/", "files/"
BLOCK = 1 << 20
SEAL = b"SHA-256 of all before this figure: "
FIGURE = 64
UNREADABLE = (
    zipfile.BadZipFile,
    zlib.error,
    struct.error,
    EOFError,
    OSError,
    RuntimeError,  # what zipfile raises for a part that is locked, or packed in a way that it does not know
    ValueError,
)


class Damaged(Refused):
    """A backup that cannot be trusted; `problems` names what is wrong with it, a sentence each."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("The backup is damaged. " + " ".join(problems))
        self.problems = problems


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the archive as the manifest has it; `rows` for a table."""

    name: str
    size: int
    sha256: str
    rows: int | None = None


@dataclass(frozen=True, slots=True)
class Manifest:
    """What is in a backup."""

    made_at: str
    engine: str
    migrations: frozenset[tuple[str, str]]
    columns: dict[str, list[str]]
    last_ids: dict[str, int]
    missing_files: list[str]
    parts: dict[str, Part]

    @property
    def rows(self) -> int:
        """Return how many rows there are in all tables together."""
        return sum(part.rows or 0 for part in self.parts.values())

    @property
    def files(self) -> list[Part]:
        """Return the parts that are kept files."""
        return [part for part in self.parts.values() if part.name.startswith(FILES)]


class Writer:
    """Takes the parts of a backup one after the other."""

    def __init__(self, archive: zipfile.ZipFile) -> None:
        self._archive = archive
        self._parts: list[Part] = []

    def add(self, name: str, blocks: Iterator[bytes], *, is_table: bool = False) -> None:
        """Write one part; a table's blocks are its rows."""
        digest, size, count = hashlib.sha256(), 0, 0
        about = zipfile.ZipInfo(name)
        about.compress_type = zipfile.ZIP_STORED if name.endswith(".jpg") else zipfile.ZIP_DEFLATED
        about.external_attr = 0o600 << 16
        with self._archive.open(about, "w", force_zip64=True) as out:
            for block in blocks:
                digest.update(block)
                out.write(block)
                size, count = size + len(block), count + 1
        self._parts.append(Part(name, size, digest.hexdigest(), count if is_table else None))

    def close(self, facts: dict[str, Any]) -> None:
        """Write the manifest, last."""
        parts = {
            part.name: {
                "size": part.size,
                "sha256": part.sha256,
                **({"rows": part.rows} if part.rows is not None else {}),
            }
            for part in self._parts
        }
        self._archive.writestr(MANIFEST, json.dumps({"format": FORMAT, **facts, "parts": parts}, indent=1))
        self._archive.comment = SEAL + b"0" * FIGURE


@contextmanager
def written(path: Path) -> Iterator[Writer]:
    """Write a backup beside its place and move it there when it is whole and on the disk."""
    if path.exists():
        raise Refused(f"{path} is there already; a backup puts itself over nothing.")
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".backup-", suffix=".part")
    half = Path(name)
    try:
        with open(handle, "w+b") as file:
            with zipfile.ZipFile(file, "w", compresslevel=6) as archive:
                yield Writer(archive)
            _seal(file)
            os.fsync(file.fileno())
        half.rename(path)
        settle(path.parent)
    finally:
        half.unlink(missing_ok=True)


def _seal(file: Any) -> None:
    file.flush()
    file.seek(-FIGURE, os.SEEK_END)
    before = file.tell()
    file.seek(0)
    figure = _digest(file, before)
    file.seek(before)
    file.write(figure.encode())
    file.flush()


def _digest(file: Any, length: int) -> str:
    digest = hashlib.sha256()
    while length > 0 and (block := file.read(min(BLOCK, length))):
        digest.update(block)
        length -= len(block)
    return digest.hexdigest()


def is_sealed(path: Path) -> bool:
    """Say whether the file still is what was written: its last figure against all before it."""
    size = path.stat().st_size
    tail = len(SEAL) + FIGURE
    if size < tail:
        return False
    with path.open("rb") as file:
        figure = _digest(file, size - FIGURE)
        file.seek(size - tail)
        return file.read() == SEAL + figure.encode()


@contextmanager
def opened(path: Path) -> Iterator[zipfile.ZipFile]:
    """Open a backup to read its parts."""
    if not path.is_file():
        raise Refused(f"There is no file {path}.")
    try:
        archive = zipfile.ZipFile(path)
    except UNREADABLE:
        raise Damaged(["Its list of parts, at the end of the file, is missing or damaged."]) from None
    with archive:
        yield archive


def verified(path: Path) -> Manifest:
    """Look through a whole backup and return its manifest; raises `Damaged` with all that is wrong."""
    with opened(path) as archive:
        manifest = _manifest(archive)
        problems = _strangers(archive, manifest)
        for part in manifest.parts.values():
            problems += _problem(archive, part)
    if not problems and not is_sealed(path):
        problems = ["The file is not as it was written, though every part of it reads well."]
    if problems:
        raise Damaged(problems)
    return manifest


def _manifest(archive: zipfile.ZipFile) -> Manifest:
    try:
        said = json.loads(archive.read(MANIFEST))
        if said["format"] != FORMAT:
            raise Refused(f"This backup has form {said['format']}, which this version does not read.")
        return Manifest(
            made_at=str(said["made_at"]),
            engine=str(said["engine"]),
            migrations=frozenset((app, name) for app, name in said["migrations"]),
            columns={str(table): [str(one) for one in names] for table, names in said["columns"].items()},
            last_ids={str(table): int(last) for table, last in said["last_ids"].items()},
            missing_files=[str(name) for name in said["missing_files"]],
            parts={
                name: Part(name, int(one["size"]), str(one["sha256"]), one.get("rows"))
                for name, one in said["parts"].items()
            },
        )
    except (KeyError, TypeError, AttributeError, *UNREADABLE):
        raise Damaged([f"{MANIFEST} is missing or damaged."]) from None


def _strangers(archive: zipfile.ZipFile, manifest: Manifest) -> list[str]:
    """Name parts that have no business there, among them any that would be written outside its folder."""
    names = archive.namelist()
    unknown = sorted(set(names) - manifest.parts.keys() - {MANIFEST})
    twice = sorted({name for name in names if names.count(name) > 1}) if len(set(names)) < len(names) else []
    tables = {f"{TABLES}{table}.jsonl" for table in manifest.columns}
    unsafe = [name for name in manifest.parts if name not in tables and not _is_safe(name)]
    absent = sorted(tables - manifest.parts.keys())
    return [
        *(f"{name} is not in the manifest." for name in unknown),
        *(f"{name} is there twice." for name in twice),
        *(f"{name} leads out of the folder of kept files." for name in unsafe),
        *(f"{name} is not among the parts." for name in absent),
    ]


def _is_safe(name: str) -> bool:
    steps = name.removeprefix(FILES).split("/")
    return (
        name.startswith(FILES)
        and not any(step in {"", ".", ".."} or "\\" in step or ":" in step or "\0" in step for step in steps)
        and not PurePosixPath(*steps).is_absolute()
    )


def _problem(archive: zipfile.ZipFile, part: Part) -> list[str]:
    digest, size, lines = hashlib.sha256(), 0, 0
    try:
        with archive.open(part.name) as file:
            while size <= part.size and (block := file.read(BLOCK)):
                digest.update(block)
                size, lines = size + len(block), lines + block.count(b"\n")
    except KeyError:
        return [f"{part.name} is missing."]
    except UNREADABLE:
        return [f"{part.name} is damaged: it can't be read."]
    if digest.hexdigest() != part.sha256 or size != part.size:
        return [f"{part.name} is damaged: it is not what was written."]
    if part.rows is not None and part.rows != lines:
        return [f"{part.name} has {lines} rows, not {part.rows}."]
    return []


def lines_of(archive: zipfile.ZipFile, table: str) -> Iterator[bytes]:
    """Yield the rows of a table as they stand there."""
    with archive.open(f"{TABLES}{table}.jsonl") as file:
        yield from file


def unpack(archive: zipfile.ZipFile, part: Part, folder: Path) -> None:
    """Write one kept file to its place under `folder`."""
    target = (folder / part.name.removeprefix(FILES)).resolve()
    if not _is_safe(part.name) or not target.is_relative_to(folder.resolve()):
        raise Damaged([f"{part.name} leads out of the folder of kept files."])
    target.parent.mkdir(parents=True, exist_ok=True)
    with archive.open(part.name) as file, target.open("xb") as out:
        _copy(file.read, out.write)
        out.flush()
        os.fsync(out.fileno())


def _copy(read: Callable[[int], bytes], write: Callable[[bytes], Any]) -> None:
    while block := read(BLOCK):
        write(block)
