"""Read a capture of any length in bounded memory: CSV block by block, Parquet slice by slice.

The file is opened for what it holds, not for what its name says, and a name that says otherwise is told. The next
block is parsed in a thread of its own while the last one is worked on; polars lets go of the interpreter meanwhile.
"""

from collections.abc import Callable, Generator, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import numpy as np
import polars as pl

from linelog.calc.capture.csvfile import CsvBlocks, Parsed
from linelog.calc.capture.rows import Intake, Rows, Signals, in_seconds, missing_columns
from linelog.calc.errors import CalcError
from linelog.calc.require import Floats

#: Rows of Parquet taken at once: larger is faster, smaller is leaner.
SLICE_ROWS = 400_000

Progress = Callable[[float], None]
Cancelled = Callable[[], bool]


class Stopped(Exception):
    """The reading was cancelled from outside; nothing of it is a result."""


_FOREIGN = {
    b"PK\x03\x04": "a ZIP archive or a spreadsheet",
    b"\x1f\x8b": "gzip-compressed data",
    b"\x28\xb5\x2f\xfd": "zstd-compressed data",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"%PDF": "a PDF document",
    b"\x7fELF": "a program",
    b"MZ": "a program",
    b"\xff\xfe": "text in UTF-16, where UTF-8 is wanted",
    b"\xfe\xff": "text in UTF-16, where UTF-8 is wanted",
    b"\x89HDF": "an HDF5 file",
    b"\xd0\xcf\x11\xe0": "an old spreadsheet",
}


def file_kind(path: Path, name: str | None = None) -> str:
    """Return 'csv' or 'parquet' by the content; `name` is the file's own name where `path` is a stored copy.

    Raises `CalcError` for an empty file, for anything else, and where the ending of the name says otherwise.
    """
    try:
        with path.open("rb") as file:
            head = file.read(4096)
            file.seek(max(0, path.stat().st_size - 4))
            tail = file.read(4)
    except OSError as error:
        raise CalcError(f"The file could not be read: {error.strerror or error}.", field="file") from None
    if not head:
        raise CalcError("The file is empty (0 bytes): export it again.", field="file")
    holds = next((what for mark, what in _FOREIGN.items() if head.startswith(mark)), None)
    if holds is None and b"\0" in head and not head.startswith(b"PAR1"):
        holds = "no text"
    if holds is not None:
        raise CalcError(f"The file holds {holds}: a capture is a CSV or a Parquet file.", field="file")
    kind = "parquet" if head.startswith(b"PAR1") else "csv"
    ending = Path(name or path.name).suffix.lower()
    if {".csv": "csv", ".txt": "csv", ".parquet": "parquet"}.get(ending, kind) != kind:
        raise CalcError(f"The file is named {ending} but holds {kind.upper()}: give it its right name.", field="file")
    if kind == "parquet" and tail != b"PAR1":
        raise CalcError("The Parquet file is cut short (its end is missing): copy it again.", field="file")
    return kind


def read_capture(
    path: Path,
    probes: tuple[str, ...],
    signals: Signals,
    intake: Intake,
    *,
    name: str | None = None,
    progress: Progress | None = None,
    cancelled: Cancelled | None = None,
) -> Iterator[Rows]:
    """Yield the checked samples of a capture in order, a few hundred thousand at a time.

    `progress` is told the share of the file read (0 to 1), `cancelled` is asked before every block and stops the
    reading with `Stopped`. Raises `CalcError` with the line, row or time of whatever cannot be used.
    """
    kind = file_kind(path, name)
    source = _opened(path, kind, probes, signals, intake.notes)
    for first, done, frame in _ahead(source.frames()):
        if cancelled is not None and cancelled():
            raise Stopped
        rows = _rows(frame, probes, signals, first, "line" if kind == "csv" else "row", done)
        yield intake.check(in_seconds(rows, signals.time_unit))
        if progress is not None:
            progress(done)
    intake.finish()


def check_columns(path: str | Path, probes: tuple[str, ...], signals: Signals, *, name: str | None = None) -> None:
    """Raise `CalcError` for a file that is no capture or lacks a column; its samples are not looked at."""
    at = Path(path)
    _opened(at, file_kind(at, name), probes, signals, [])


def _opened(
    path: Path, kind: str, probes: tuple[str, ...], signals: Signals, notes: list[str]
) -> "CsvBlocks | ParquetSlices":
    wanted = tuple(dict.fromkeys((*signals.columns, *probes)))
    return CsvBlocks(path, wanted, notes) if kind == "csv" else ParquetSlices(path, wanted)


def _ahead(frames: Generator[Parsed]) -> Iterator[Parsed]:
    """Take each frame in a thread of its own, one ahead of the caller."""
    with closing(frames), ThreadPoolExecutor(1) as pool:
        coming = pool.submit(next, frames, None)
        while (frame := coming.result()) is not None:
            coming = pool.submit(next, frames, None)
            yield frame


class ParquetSlices:
    """A Parquet file cut into slices, which stay small even where the file is one huge row group."""

    def __init__(self, path: Path, wanted: tuple[str, ...]) -> None:
        try:
            self.frame = pl.scan_parquet(path, glob=False)
            schema = self.frame.collect_schema()
            self.count = int(self.frame.select(pl.len()).collect().item())
        except pl.exceptions.PolarsError:
            raise CalcError("The Parquet file is damaged: copy it again.", field="file") from None
        if not set(wanted) <= set(schema.names()):
            raise missing_columns(wanted, tuple(schema.names()))
        for column in wanted:
            if not (schema[column].is_numeric() or schema[column] == pl.Boolean):
                raise CalcError(f"Column {column} holds {schema[column]}, where numbers are wanted.", field="file")
        self.frame = self.frame.select(pl.col(list(wanted)).cast(pl.Float64))

    def frames(self) -> Generator[Parsed]:
        """Yield number of the first row, share read so far, and the rows, slice by slice."""
        for start in range(0, self.count, SLICE_ROWS):
            try:
                frame = self.frame.slice(start, SLICE_ROWS).collect(engine="streaming")
            except pl.exceptions.PolarsError:
                raise CalcError(
                    f"The Parquet file is damaged after row {start + 1:,}: copy it again.", field="file"
                ) from None
            yield start + 1, min(1.0, (start + SLICE_ROWS) / self.count), frame


def _rows(frame: pl.DataFrame, probes: tuple[str, ...], signals: Signals, first: int, unit: str, done: float) -> Rows:
    def column(name: str | None) -> Floats | None:
        return None if name is None else frame[name].to_numpy()

    block = np.empty((len(probes), frame.height))
    for index, name in enumerate(probes):
        block[index] = frame[name].to_numpy()
    time = np.array(frame[signals.time].to_numpy())
    extra = (column(signals.phase), column(signals.pulse), column(signals.temperature))
    return Rows(time, block, *extra, first, unit, done)
