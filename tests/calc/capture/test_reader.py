"""Files: what is read, in which runs, and how each fault is told with its line or time."""

import threading
from dataclasses import replace
from functools import reduce

import numpy as np
import polars as pl
import pytest

from linelog.calc.capture import csvfile, reader
from linelog.calc.capture.analyse import analyse_capture, analyse_rows
from linelog.calc.capture.reader import Stopped, file_kind, read_capture
from linelog.calc.capture.rows import Intake, Rows, Signals, TimeUnit
from linelog.calc.errors import CalcError
from tests.calc.capture.known import PULSE, QUIET, RING, SETUP, codes, csv_of, frame_of, rows_of

HEAD = "time,p0,p90,p180,p270,pulse,oil\n"
SMALL = Signals(pulse="pulse", temperature="oil")


def lines(count, step=0.001):
    return [f"{n * step:.4f},0.1,0.2,0.3,0.{n % 10},0,40.0" for n in range(count)]


def read(path, signals=SMALL, **more):
    intake = Intake(RING.columns)
    first, *later = read_capture(path, RING.columns, signals, intake, **more)
    return reduce(Rows.follow, later, first), intake


def write(path, text):
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def told(path, signals=SMALL, **more):
    with pytest.raises(CalcError) as error:
        read(path, signals, **more)
    assert error.value.message.count("\n") == 0
    return error.value.message


@pytest.fixture
def small_blocks(monkeypatch):
    monkeypatch.setattr(csvfile, "BLOCK_BYTES", 20_000)
    monkeypatch.setattr(reader, "SLICE_ROWS", 1000)


@pytest.mark.parametrize("kind", ["csv", "parquet", "one group"])
def test_a_file_gives_what_memory_gives(tmp_path, small_blocks, kind):
    rows = rows_of(QUIET)
    path = tmp_path / ("capture.csv" if kind == "csv" else "capture.parquet")
    if kind == "csv":
        frame_of(rows).write_csv(path)
    else:
        frame_of(rows).write_parquet(path, row_group_size=10**6 if kind == "one group" else 3000)
    result, known = analyse_capture(path, SETUP), analyse_rows(rows, SETUP)
    assert result.forward.path.x_um == pytest.approx(known.forward.path.x_um, abs=1e-9)
    assert pytest.approx(known.forward.offset.up.U) == result.forward.offset.up.U
    assert result.back.series.y_um == pytest.approx(known.back.series.y_um, abs=1e-9)
    assert result.strokes.used == known.strokes.used
    assert result.file.kind == ("csv" if kind == "csv" else "parquet")


def test_progress_rises_to_one_and_cancel_stops(tmp_path, small_blocks):
    path = csv_of(tmp_path / "capture.csv", QUIET)
    seen: list[float] = []
    analyse_capture(path, SETUP, progress=seen.append)
    assert seen == sorted(seen)
    assert seen[-1] == 1.0
    assert len(seen) > 10
    with pytest.raises(Stopped):
        analyse_capture(path, SETUP, progress=seen.append, cancelled=lambda: len(seen) > 40)
    assert not [thread for thread in threading.enumerate() if thread.name.startswith("ThreadPool")]


@pytest.mark.parametrize(
    ("separator", "comma", "end", "above"),
    [
        (",", False, "\r\n", ""),
        (";", True, "\n", ""),
        ("\t", False, "\n", "Recorder 7\nchannels;5\n"),
        (", ", False, "\n", ""),
    ],
)
def test_dialects(tmp_path, separator, comma, end, above):
    body = [line.replace(".", ";").replace(",", separator).replace(";", "," if comma else ".") for line in lines(50)]
    if separator == ";":
        body = [line.replace(".", ",").replace("|", ";") for line in (text.replace(",", "|") for text in lines(50))]
    header = separator.join(f'"{name}"' for name in HEAD.strip().split(","))
    path = write(tmp_path / "a.csv", b"\xef\xbb\xbf" + (above + end.join([header, *body]) + end).encode())
    rows, _ = read(path)
    assert rows.time_s == pytest.approx(np.arange(50) / 1000)
    assert rows.probes[3] == pytest.approx(np.arange(50) % 10 / 10)
    assert rows.temperature == pytest.approx(np.full(50, 40.0))


def test_time_units_and_latin_headers(tmp_path):
    text = HEAD.replace("oil", "oil °C") + "\n".join(lines(50, step=1.0))
    path = write(tmp_path / "a.csv", text.encode("cp1252"))
    rows, intake = read(path, Signals(time_unit=TimeUnit.MILLISECOND, temperature="oil °C"))
    assert rows.time_s[-1] == pytest.approx(0.049)
    assert intake.step_s == pytest.approx(0.001)


def test_missing_values_are_missing_samples(tmp_path):
    body = lines(30)
    body[7] = "0.0070,,NaN,0.3,0.7,0,"
    rows, _ = read(write(tmp_path / "a.csv", HEAD + "\n".join(body) + "\n\n\n"))
    assert len(rows) == 30
    assert np.isnan(rows.probes[:2, 7]).all()
    assert np.isnan(rows.temperature[7])


FAULTS = {
    "letters": (40, "0.0400,0.1,OL,0.3,0.4,0,40", "Line 42, column p90: 'OL' is not a number."),
    "infinite": (40, "0.0400,0.1,0.2,inf,0.4,0,40", "Line 42, column p180: inf is no reading"),
    "absurd": (40, "0.0400,0.1,0.2,0.3,-1e308,0,40", "Line 42, column p270: -1e+308 is no reading"),
    "too few": (40, "0.0400,0.1,0.2", "Line 42 has 3 values, the header has 7."),
    "too many": (40, "0.0400,0.1,0.2,0.3,0.4,0,40,9", "Line 42 has 8 values, the header has 7."),
    "backwards": (40, "0.0310,0.1,0.2,0.3,0.4,0,40", "Line 42: time runs backwards, from 0.039 s to 0.031 s"),
    "no time": (40, ",0.1,0.2,0.3,0.4,0,40", "Line 42 has no time."),
    "zero bytes": (190, "\0\0\0\0\0\0\0\0", "Line 192 has 1 values"),
    "no text": (40, "0.0400,0.1,0.2,0.3,\xff\xfe,0,40", "Line 42, column p270"),
}


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("block", [8 << 20, 700])
def test_faults_are_told_with_their_line(tmp_path, monkeypatch, fault, block):
    monkeypatch.setattr(csvfile, "BLOCK_BYTES", block)
    at, line, sentence = FAULTS[fault]  # line numbers count the header
    body = lines(200)
    body[at] = line
    path = write(tmp_path / "a.csv", (HEAD + "\n".join(body)).encode("latin-1"))
    assert told(path).startswith(sentence)


def test_a_missing_channel_is_told_with_those_there(tmp_path):
    path = write(tmp_path / "a.csv", "time,p0,p90,probe 3,p270,pulse,oil\n" + "\n".join(lines(5)))
    assert told(path) == "The file has no column p180; its columns are time, p0, p90, probe 3, p270, pulse, oil."
    frame = frame_of(rows_of(replace(QUIET, strokes=5.0))).drop("p180")
    frame.write_parquet(tmp_path / "a.parquet")
    assert told(tmp_path / "a.parquet").startswith("The file has no column p180; its columns are time, p0, p90,")


def test_a_truncated_csv_is_read_to_its_last_whole_line(tmp_path):
    path = csv_of(tmp_path / "capture.csv", QUIET)
    whole = path.read_bytes()
    write(path, whole[: whole.rfind(b"\n", 0, len(whole) // 2) + 15])
    result = analyse_capture(path, SETUP)
    assert "file" in codes(result)
    number = whole[: len(whole) // 2].count(b"\n") + 1
    assert f"in the middle of line {number:,}" in result.file.notes[0]


def test_a_truncated_or_damaged_parquet_is_told(tmp_path):
    path = tmp_path / "capture.parquet"
    frame_of(rows_of(QUIET)).write_parquet(path)
    whole = path.read_bytes()
    assert "cut short" in told(write(path, whole[: len(whole) // 2]))
    assert "damaged" in told(write(path, whole[:4] + b"\xff" * 9000 + whole[9004:]))
    assert "damaged" in told(write(path, whole[:-60] + b"\xff" * 50 + whole[-10:]))


def test_text_in_a_parquet_column_is_told(tmp_path):
    frame = frame_of(rows_of(QUIET)).with_columns(pl.col("p90").cast(pl.String))
    frame.write_parquet(tmp_path / "a.parquet")
    assert told(tmp_path / "a.parquet").startswith("Column p90 holds String")


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_repeated_times_are_left_out_or_refused(tmp_path, kind):
    frame = frame_of(rows_of(QUIET)).with_row_index().sort("index")
    one = pl.concat([frame[:5000], frame[4999:]]).drop("index")
    path = tmp_path / f"a.{kind}"
    (one.write_csv if kind == "csv" else one.write_parquet)(path)
    result = analyse_capture(path, SETUP)
    assert result.file.repeated_times == 1
    assert "repeated times" in codes(result)
    assert result.file.samples == frame.height
    coarse = frame.with_columns(pl.col("time").mul(500).floor().truediv(500)).drop("index")
    (coarse.write_csv if kind == "csv" else coarse.write_parquet)(path)
    place = "Line 3" if kind == "csv" else "Row 2"
    assert told(path, PULSE).startswith(f"{place} has the same time as the sample before it")


@pytest.mark.parametrize(
    ("content", "name", "says"),
    [
        (b"", "a.csv", "empty"),
        (b"PK\x03\x04rest", "a.csv", "a ZIP archive or a spreadsheet"),
        (b"\x1f\x8b\x08rest", "a.csv", "gzip"),
        (b"\x89PNG\r\n", "a.parquet", "a picture"),
        ("time,p0".encode("utf-16"), "a.csv", "UTF-16"),
        (b"\x00\x01\x02\x03" * 20, "a.csv", "no text"),
        (b"PAR1....PAR1", "a.csv", "named .csv but holds PARQUET"),
        (b"time,p0\n", "a.parquet", "named .parquet but holds CSV"),
        (b"x" * 100, "a.csv", "no column time"),
        (HEAD.encode(), "a.csv", "no samples"),
        (HEAD.encode() + lines(1)[0].encode(), "a.csv", "no samples"),
    ],
)
def test_files_that_lie_about_their_type_or_hold_nothing(tmp_path, content, name, says):
    assert says in told(write(tmp_path / "stored", content), name=name)


def test_a_file_that_is_gone_is_told(tmp_path):
    with pytest.raises(CalcError, match="could not be read"):
        file_kind(tmp_path / "none.csv")


def test_a_line_that_never_ends_is_told(tmp_path, small_blocks):
    assert "never ends" in told(write(tmp_path / "a.csv", HEAD + "1" * 90_000))


def test_a_wrong_time_unit_is_told(tmp_path):
    path = csv_of(tmp_path / "a.csv", QUIET)
    for unit, says in ((TimeUnit.MILLISECOND, "every 1 µs"), (TimeUnit.MICROSECOND, "every 0.001 µs")):
        setup = replace(SETUP, signals=replace(PULSE, time_unit=unit))
        with pytest.raises(CalcError, match=f"Samples come {says}.*unit of the time") as error:
            analyse_capture(path, setup)
        assert error.value.field == "time_unit"
