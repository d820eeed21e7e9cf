"""The reader of files of counts: good rows come out as numbers, every bad one is named, what is none is refused."""

import csv
import datetime as dt
import io
import struct
import zipfile

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linelog.production.reading import reader, workbook
from linelog.production.reading.dates import Order
from linelog.production.reading.refusal import FileRefused
from tests.production.helpers import HEADING, found, read, row, table
from tests.production.helpers import workbook as make_workbook

GOOD = [100000, 320, 4, 5, 1, 12.5]


def refused(content: bytes) -> str:
    with pytest.raises(FileRefused) as caught:
        read(content)
    return caught.value.sentence


def test_a_good_row_comes_out_as_numbers():
    got = read(table(row() + ",7,", heading=HEADING + ",spoiled:DENT,spoiled:SPLIT"))
    assert got.rows.to_dicts() == [
        {
            "line": 2,
            "machine_id": 1,
            "day": dt.date(2026, 3, 1),
            "shift_id": 11,
            "cans": 100000,
            "spoiled": 320,
            "tear_offs": 4,
            "short_cans": 5,
            "jams": 1,
            "minutes_down": 12.5,
            "by_cause": '{"DENT": 7}',
        }
    ]
    assert (got.total, got.bad, got.odd) == (1, 0, 0)


@pytest.mark.parametrize(
    ("encode", "note"),
    [
        (lambda text: text.encode(), ""),
        (lambda text: b"\xef\xbb\xbf" + text.encode(), ""),
        (lambda text: text.encode("utf-16"), ""),
        (lambda text: b"\xfe\xff" + text.encode("utf-16-be"), ""),
        (lambda text: text.encode("utf-16-le"), ""),
        (lambda text: text.encode("utf-16-be"), ""),
        (lambda text: text.encode("cp1252"), "Windows-1252"),
        (lambda text: text.replace("\n", "\r\n").encode(), ""),
        (lambda text: text.replace("\n", "\r").encode(), ""),
    ],
)
def test_encodings_and_line_ends(encode, note):
    got = read(encode(table(row("Größe")).decode()))
    assert got.rows["machine_id"].to_list() == [3]
    assert note in " ".join(got.notes)


@pytest.mark.parametrize("separator", [";", "\t", "|"])
def test_separators_and_decimal_comma(separator):
    text = table(row()).decode().replace(",", separator).replace("12.5", "12,5")
    assert read(text.encode()).rows["minutes_down"].to_list() == [12.5]


def test_a_quoted_decimal_comma_between_commas():
    assert read(table('"BM 1",2026-03-01,A,1,0,0,0,0,"12,5"')).rows["minutes_down"].to_list() == [12.5]


def test_headings_are_read_however_they_are_spelt():
    heading = " Machine ;DATE;Shift;Cans;Spoiled;Tear-offs;Short cans;JAMS;minutes  down; Spoiled: dent;remark"
    got = read((heading + "\nbm  1;2026-03-01;a;5;4;0;0;0;0;3;all well\n").encode())
    assert got.rows["by_cause"].to_list() == ['{"DENT": 3}']
    assert any("remark" in note for note in got.notes)


# One line of each kind of trouble: what is written, in which column, and a word of why.
BAD_CELLS = [
    ("cans", "", "empty"),
    ("cans", "abc", "not a number"),
    ("cans", "-3", "below zero"),
    ("cans", "−3", "below zero"),
    ("cans", "1e308", "not a number"),
    ("cans", "NaN", "not a number"),
    ("cans", "inf", "not a number"),
    ("cans", "5.5", "not a whole number"),
    ("cans", "1.000", "not a whole number"),
    ("cans", "1,000", "not a whole number"),
    ("cans", "1,234,567", "not a whole number"),
    ("cans", "5000001", "more than"),
    ("cans", "99999999999999999999999", "more than"),
    ("jams", "1_0", "not a number"),
    ("tear_offs", "0x10", "not a number"),
    ("minutes_down", "1440.01", "1440"),
    ("minutes_down", "1,440", "thousands"),
    ("minutes_down", "-1", "below zero"),
    ("minutes_down", "nan", "not a number"),
    ("minutes_down", "", "empty"),
    ("machine", "", "empty"),
    ("machine", "BM 9", "no such machine"),
    ("machine", "BM X", "two machines"),
    ("shift", "D", "no such shift"),
    ("date", "", "empty"),
    ("date", "2026-02-29", "no such day"),
    ("date", "31.04.2026", "no such day"),
    ("date", "2026-06-16", "not come yet"),
    ("date", "1979-12-31", "before 1980"),
    ("date", "46000", "a number, not a date"),
    ("date", "soon", "not a date"),
    ("date", "2026-03-01 14:30", "not a date"),
]


@pytest.mark.parametrize(("column", "value", "why"), BAD_CELLS)
def test_every_bad_cell_is_named_by_line_column_value_and_why(column, value, why):
    cells = dict(zip(HEADING.split(","), ["BM 1", "2026-03-01", "A", *GOOD], strict=True)) | {column: value}
    text = io.StringIO()
    csv.writer(text).writerow(cells.values())
    got = read(table(row("BM 2"), text.getvalue().strip()))
    assert [problem[:3] for problem in got.problems.rows()] == [(3, column, value)]
    assert why in got.problems["why"][0]
    assert (got.total, got.bad, got.rows["line"].to_list()) == (2, 1, [2])


@pytest.mark.parametrize("value", ["5", "+5", "5.0", "5,00", " 5 ", "005"])
def test_what_still_is_a_whole_number(value):
    assert read(table(f'BM 1,2026-03-01,A,"{value}",0,0,0,0,0')).rows["cans"].to_list() == [5]


def test_all_troubles_of_a_row_are_told_at_once():
    problems = found(table("BM 9,2026-13-01,Z,x,-1,0,0,0,0"))
    assert {problem[1] for problem in problems} == {"machine", "date", "shift", "cans", "spoiled"}


def test_causes_may_not_exceed_what_was_spoiled():
    heading = HEADING + ",spoiled:SPLIT,spoiled:DENT"
    assert found(table(row() + ",300,21", row("BM 2") + ",300,20", heading=heading)) == [
        (2, "spoiled", "320", "the causes add up to 321, which is more")
    ]


def test_more_spoiled_than_good_cans_is_asked_about_and_zero_cans_are_fine():
    got = read(
        table(row("BM 1", "2026-03-01", "A", 5, 6, 0, 0, 0, 0), row("BM 2", "2026-03-01", "A", 0, 0, 0, 0, 0, 0))
    )
    assert (got.rows.height, got.odd) == (2, 1)
    assert any("the first at line 2" in note for note in got.notes)


def test_a_row_that_stands_twice_is_told_with_both_lines():
    problems = found(table(row(), row("BM 2"), row("bm 1"), row("BM 1", "01.03.2026")))
    assert [(line, why) for line, _, _, why in problems] == [
        (2, "the same machine, day and shift as line 4"),
        (4, "the same machine, day and shift as line 2"),
        (5, "the same machine, day and shift as line 2"),
    ]


def test_more_cells_than_the_heading_and_stray_quotes_and_blank_lines():
    content = table(
        row(), row("BM 2") + ",5", ",,,,,,,,", "", row("BM 2", "2026-03-02") + ",,,9", 'BM "2,x', row("BM 2")
    )
    got = read(content)
    assert [(line, why[:10]) for line, _, _, why in got.problems.rows()] == [
        (3, "more cells"),
        (6, "more cells"),
        (7, "a quotatio"),
    ]
    assert got.rows["line"].to_list() == [2, 8]


# Dates: what the file itself proves.
@pytest.mark.parametrize(
    ("dates", "expected"),
    [
        (["03/04/2026", "25/04/2026"], [dt.date(2026, 4, 3), dt.date(2026, 4, 25)]),
        (["03/04/2026", "04/25/2026"], [dt.date(2026, 3, 4), dt.date(2026, 4, 25)]),
        (["3.4.2026", "04.04.2026"], [dt.date(2026, 4, 3), dt.date(2026, 4, 4)]),
        (["03/03/2026", "2026-04-04"], [dt.date(2026, 3, 3), dt.date(2026, 4, 4)]),
        (["2026-3-4", "2026-04-04T00:00:00"], [dt.date(2026, 3, 4), dt.date(2026, 4, 4)]),
    ],
)
def test_dates_in_the_order_the_file_proves(dates, expected):
    assert read(table(*(row(date=date) for date in dates))).rows["day"].to_list() == expected


def test_dates_that_may_be_meant_either_way_are_asked_about():
    content = table(row(date="03/04/2026"), row(date="05/04/2026"))
    asked = read(content)
    assert "Line 2 says 03/04/2026" in asked.asks
    assert asked.rows.height == 0
    assert read(content, order=Order.DAY_FIRST).rows["day"].to_list() == [dt.date(2026, 4, 3), dt.date(2026, 4, 5)]
    assert read(content, order=Order.MONTH_FIRST).rows["day"].to_list() == [dt.date(2026, 3, 4), dt.date(2026, 5, 4)]


def test_dates_that_contradict_each_other_are_asked_about_and_the_others_are_bad_then():
    content = table(row(date="25/03/2026"), row(date="03/26/2026"))
    assert "Line 2 says 25/03/2026" in read(content).asks
    got = read(content, order=Order.DAY_FIRST)
    assert [(line, value, why) for line, _, value, why in got.problems.rows()] == [(3, "03/26/2026", "no such day")]


# What is no table of counts.
@pytest.mark.parametrize(
    ("content", "word"),
    [
        (b"", "empty"),
        (b"a" * 100_000, "first line does not end"),
        (b"hello\nworld\n", "must be a heading"),
        (b"\n" + table(row()), "first line is empty"),
        (HEADING.encode() + b"\n", "no rows"),
        (HEADING.encode() + b"\n\n\n,,,\n", "no rows"),
        (HEADING.replace(",jams", "").encode() + b"\n1\n", "Missing in the heading: jams"),
        ((HEADING + ",cans").encode() + b"\n1\n", "more than once"),
        ((HEADING + ",spoiled:NOPE").encode() + b"\n1\n", "'nope'"),
        ((HEADING + ",x" * 60).encode() + b"\n1\n", "69 columns"),
        (b"%PDF-1.7 ...", "PDF"),
        (b"\x89PNG\r\n\x1a\n", "picture"),
        (b"\x1f\x8b\x08", "unpack"),
        (b"SQLite format 3\x00", "database"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\x00" * 600, "password"),
        (bytes(range(256)) * 40, "binary"),
        (table(row()).replace(b"BM", b"B\x07"), "not text"),
        (HEADING.encode() + b"\n\x81\x8d\x8f\xff\n", "not text"),
        (b"\xff\xfe" + HEADING.encode("utf-16-le") + b"\n\x00\x00", "breaks off"),
        (b"\xff\xfe\x00\x00" + HEADING.encode("utf-32-le"), "UTF-32"),
        (b"PK\x03\x04 and then nothing", "cannot be read"),
    ],
)
def test_what_is_no_table_is_refused_in_one_sentence(content, word):
    sentence = refused(content)
    assert word in sentence
    assert len(sentence) < 400


def test_sixty_megabytes_of_letters_are_refused_at_once():
    """No heading in the first 64 KB: the other megabytes are not even kept in memory."""
    assert "first line does not end" in refused(b"abcdefghij" * 6_000_000)


def test_a_line_that_never_ends_is_refused():
    assert "does not end" in refused(table(row()) + b"x" * 5_000_000)


def test_more_rows_than_may_be(monkeypatch):
    monkeypatch.setattr(reader, "MOST_ROWS", 2)
    assert "more than 2 rows" in refused(table(row(), row("BM 2"), row("BM 2", "2026-03-02")))


# Workbooks.
ROWS = [HEADING.split(","), ["BM 1", dt.date(2026, 3, 1), "A", *GOOD], ["BM 2", "01.03.2026", "B", *GOOD]]


def test_a_workbook_gives_the_same_rows_as_a_csv():
    text = read(table(row(), row("BM 2", "2026-03-01", "B")))
    book = read(make_workbook(ROWS))
    assert book.rows.equals(text.rows)
    assert book.notes[0].startswith("Read from the first sheet")


def test_rows_of_a_workbook_are_named_by_their_line():
    got = found(make_workbook([*ROWS, [], ["BM 1", dt.date(2026, 3, 2), "A", "x", *GOOD[1:]]]))
    assert got == [(5, "cans", "x", "not a number")]


def test_a_cell_beyond_the_heading_of_a_workbook():
    assert found(make_workbook(ROWS, K2="5"))[0][0] == 2


def test_formulas_are_refused_with_the_cell():
    assert "formulas (the first at D3)" in refused(make_workbook(ROWS, D3="=1+2"))


def test_a_stray_cell_far_to_the_right_is_refused_before_it_takes_the_memory():
    assert "XFD1048576" in refused(make_workbook(ROWS, XFD1048576=1))


@pytest.mark.parametrize("place", ["BL1", "A1048576"])
def test_a_stray_cell_nearby_is_only_a_bad_row(place):
    assert read(make_workbook(ROWS, **{place: "x"})).rows.height == 2


def test_a_heading_that_is_not_in_the_first_row():
    assert "Missing in the heading" in refused(make_workbook([["Counts of March"], *ROWS]))


def test_an_empty_workbook():
    assert "is empty" in refused(make_workbook([]))


def _zip(parts: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return out.getvalue()


def _parts(content: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def test_a_zip_that_is_no_workbook():
    assert "not an .xlsx workbook" in refused(_zip({"mimetype": b"application/vnd.oasis.opendocument.spreadsheet"}))


def test_a_zip_bomb_by_its_declared_size(monkeypatch):
    monkeypatch.setattr(workbook, "MOST_BYTES", 1_000_000)
    bomb = _zip(_parts(make_workbook(ROWS)) | {"xl/media/x.bin": b"\x00" * 2_000_000})
    assert len(bomb) < 20_000
    assert "larger than" in refused(bomb)


def test_a_zip_bomb_that_lies_about_its_size(monkeypatch):
    """The directory says 10 bytes; what is unpacked is counted all the same."""
    monkeypatch.setattr(workbook, "MOST_BYTES", 1_000_000)
    bomb = _zip(_parts(make_workbook(ROWS)) | {"xl/media/x.bin": b"\x00" * 2_000_000})
    true_size = struct.pack("<L", 2_000_000)
    assert bomb.count(true_size) == 2
    assert "larger than" in refused(bomb.replace(true_size, struct.pack("<L", 10)))


def test_a_workbook_with_a_document_type_is_refused_before_entities_expand():
    parts = _parts(make_workbook(ROWS))
    parts["xl/workbook.xml"] = b'<!DOCTYPE x [<!ENTITY a "aaaa">]>' + parts["xl/workbook.xml"]
    assert "cannot be read" in refused(_zip(parts))


def test_a_locked_zip():
    content = bytearray(make_workbook(ROWS))
    at = content.rfind(b"PK\x01\x02")
    content[at + 8] |= 1  # the flag 'encrypted' of the last part in the directory
    assert "password" in refused(bytes(content))


@pytest.mark.parametrize("cut", [10, 200, 1500, -30])
def test_a_workbook_that_is_cut_off(cut):
    assert refused(make_workbook(ROWS)[:cut])


def test_prefixed_workbooks_are_looked_through_too():
    parts = _parts(make_workbook(ROWS, D3="=1+2"))
    sheet = parts["xl/worksheets/sheet1.xml"].decode()
    for tag in ("worksheet", "sheetData", "row", "c", "v", "f", "is", "t"):
        sheet = (
            sheet.replace(f"<{tag} ", f"<x:{tag} ")
            .replace(f"<{tag}>", f"<x:{tag}>")
            .replace(f"</{tag}>", f"</x:{tag}>")
        )
    parts["xl/worksheets/sheet1.xml"] = sheet.replace("xmlns=", "xmlns:x=").encode()
    assert "formulas" in refused(_zip(parts))


# Anything at all: a sentence or a reading, never another error.
anything = st.one_of(
    st.binary(max_size=300),
    st.text(max_size=200).map(str.encode),
    st.lists(st.lists(st.text(max_size=8), max_size=12), max_size=6).map(
        lambda rows: table(*(",".join(cells) for cells in rows))
    ),
    st.binary(max_size=200).map(lambda tail: table(row()) + tail),
    st.builds(
        lambda content, at, byte: content[: at % len(content)] + bytes([byte]) + content[at % len(content) + 1 :],
        st.just(make_workbook(ROWS)),
        st.integers(0, 10**6),
        st.integers(0, 255),
    ),
)


@given(anything)
@settings(max_examples=150, deadline=None)
def test_whatever_is_sent_gets_a_sentence_or_a_reading(content):
    try:
        got = read(content)
    except FileRefused as error:
        sentence = error.sentence
        got = None
    if got is None:
        assert 10 < len(sentence) < 500
        return
    assert got.rows.height + got.bad == got.total
    assert got.rows.null_count().pipe(lambda counts: counts.sum_horizontal().item()) == 0
    assert set(got.problems["line"].to_list()).isdisjoint(got.rows["line"].to_list())


cell = st.sampled_from(
    ["", "1", "007", "5.0", "-1", "1e5", "x", "5.5", " 8 ", "5000001", "1,0", "+3", "²", "٣", "1 000"]
)


@given(st.lists(cell, min_size=1, max_size=20))
@settings(max_examples=80, deadline=None)
def test_whole_numbers_against_pythons_own(values):
    """Good are exactly the cells that Python's int takes, written in plain digits, from 0 to the limit."""
    text = io.StringIO()
    writer = csv.writer(text)
    for number, value in enumerate(values):
        writer.writerow(["BM 1", dt.date(2020, 1, 1) + dt.timedelta(days=number), "A", value, 0, 0, 0, 0, 0])
    got = read((HEADING + "\n" + text.getvalue()).encode())
    expected = {}
    for line, value in enumerate(values, start=2):
        plain = value.strip()
        for ending in (".0", ",0"):
            plain = plain.removesuffix(ending)
        if plain.lstrip("+").isascii() and plain.lstrip("+").isdigit() and int(plain) <= 5_000_000:
            expected[line] = int(plain)
    assert dict(got.rows.select("line", "cans").rows()) == expected


def test_quoted_lines_are_split_as_the_standard_library_splits_them():
    lines = [
        '"BM 1",2026-03-01,A,1,0,0,0,0,"0"',
        '"B""M, 1",2026-03-01,A,1,0,0,0,0,0',
        "'BM 1',2026-03-01,A,1,0,0,0,0,0",
    ]
    names = [next(csv.reader([line]))[0] for line in lines]
    got = read(table(*lines))
    assert [value for _, column, value, _ in got.problems.rows() if column == "machine"] == names[1:]
    assert isinstance(got.rows, pl.DataFrame)
    assert got.rows["line"].to_list() == [2]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
@pytest.mark.parametrize("block", [1, 7, 64, 200])
def test_lines_keep_their_numbers_over_the_edges_of_blocks(monkeypatch, encoding, block):
    rows = [
        row("Größe", dt.date(2020, 1, 1) + dt.timedelta(days=i), "A", i % 3 or "x", 0, 0, 0, 0, 0) for i in range(40)
    ]
    content = table(*rows).decode().replace("\n", "\r\n").encode(encoding)
    whole = read(content)
    monkeypatch.setattr("linelog.production.reading.text.BLOCK_BYTES", block)
    got = read(content)
    assert got.rows.equals(whole.rows)
    assert got.problems.equals(whole.problems)
    assert got.problems["line"].to_list() == list(range(2, 42, 3))
