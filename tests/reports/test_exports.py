"""Every table, in every format, read back by the libraries that other people read such files with."""

import csv
import datetime as dt
import io

import openpyxl
import polars as pl
import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from linelog.alignment.models import Reading
from linelog.reports.tables import files, registry
from linelog.reports.tables.asked import Asked
from linelog.reports.tables.table import Kind
from linelog.web import protection
from tests import factories
from tests.reports import filled as made
from tests.world import World

pytestmark = pytest.mark.django_db
DTYPES = {
    Kind.TEXT: pl.String,
    Kind.WHOLE: pl.Int64,
    Kind.NUMBER: pl.Float64,
    Kind.YES_NO: pl.Boolean,
    Kind.DATE: pl.Date,
    Kind.TIME: pl.Datetime("us", factories.ZONE),
}
NAMES = sorted(registry.TABLES)


@pytest.fixture(scope="module")
def world(kept_by_the_module):
    return made.filled()


@pytest.fixture(scope="module")
def client(world):
    return _client(world.person("manager"))


def _client(person):
    found = Client()
    found.force_login(person)
    return found


def take(client, name, kind, **query):
    answer = client.get(f"/exports/{name}.{kind}", query)
    assert answer.status_code == 200, answer.content
    assert answer["Content-Disposition"] == f'attachment; filename="{name}.{kind}"'
    return b"".join(answer.streaming_content)


def as_frame(client, name, **query):
    return pl.read_parquet(io.BytesIO(take(client, name, "parquet", **query)))


def as_dicts(client, name, **query):
    return list(csv.DictReader(io.StringIO(take(client, name, "csv", **query).decode("utf-8-sig"))))


def in_csv(value):
    """What RFC 4180 and ISO 8601 make of a value."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dt.date | dt.datetime):
        return value.isoformat()
    return str(value)


@pytest.mark.parametrize("name", NAMES)
def test_each_format_holds_the_same_rows_with_real_types_and_the_columns_of_the_dictionary(name, world, client):
    table = registry.TABLES[name]
    frame = as_frame(client, name)
    told = list(csv.reader(io.StringIO(client.get("/exports/dictionary.csv").content.decode("utf-8-sig"))))
    named = [row[1] for row in told if row[0] == name]
    assert frame.columns == named == [column.name for column in table.columns]
    assert dict(frame.schema) == {column.name: DTYPES[column.kind] for column in table.columns}
    rows = frame.rows()
    assert rows, "the plant of these tests fills every table"

    text = list(csv.reader(io.StringIO(take(client, name, "csv").decode("utf-8-sig"))))
    assert text[0] == named
    unguarded = [[cell[1:] if cell[:2] in {"'=", "'@", "'-", "'+"} else cell for cell in row] for row in text[1:]]
    assert unguarded == [[in_csv(value) for value in row] for row in rows]

    book = openpyxl.load_workbook(io.BytesIO(take(client, name, "xlsx")))
    sheet = [list(row) for row in book[table.title].iter_rows(values_only=True)]
    assert sheet[0] == named
    assert [[in_sheet(value) for value in row] for row in sheet[1:]] == [
        [as_in_sheet(v) for v in row] for row in rows
    ]
    assert [row[1] for row in book["Data dictionary"].iter_rows(min_row=2, values_only=True)] == named


def in_sheet(value):
    if isinstance(value, str) and value[:2] in {"'=", "'@", "'-", "'+"}:
        return value[1:]
    return value


def as_in_sheet(value):
    """A workbook keeps every number as a double, to 16 digits, every day as a time, and no zone."""
    if isinstance(value, dt.datetime):
        return value.replace(tzinfo=None)
    if isinstance(value, dt.date):
        return dt.datetime.combine(value, dt.time())
    return pytest.approx(value, rel=1e-14) if isinstance(value, float) else value


def test_every_table_names_machine_and_line_and_every_column_says_what_it_means():
    for table in registry.ALL:
        names = [column.name for column in table.columns]
        assert {"machine", "line"} <= set(names), table.name
        assert len(names) == len(set(names))
        for column in table.columns:
            assert column.meaning.endswith((".", "JSON.")), (table.name, column.name)
            ending = {"_um": "um", "_mm": "mm", "_mm_per_m": "mm/m", "_c": "°C", "_deg": "degrees"}
            units = [unit for end, unit in ending.items() if column.name.endswith(end)]
            text = column.kind is Kind.TEXT  # several thicknesses
            assert not units or text or column.unit == units[-1], (table.name, column.name)


def test_no_row_of_another_plant_ever_comes(world, client, db):
    before = {name: take(client, name, "csv") for name in NAMES}
    made.filled(plant=factories.plant(name="Elsewhere"))
    for name in NAMES:
        assert take(client, name, "csv") == before[name], name


def test_of_one_line_and_of_some_days_only_those(world, client, db):
    other = factories.machine(factories.line(world.plant))
    factories.visit(other, world.person("mechanic"))
    first, second = made.signed_at_the_change_of_clocks(world.machine, world.person("mechanic"))
    chosen = as_dicts(client, "visits", line=world.line.pk, since="2026-03-27", until="2026-03-27")
    assert [row["visit_id"] for row in chosen] == [str(first.pk)]
    chosen = as_dicts(client, "visits", since="2026-03-29", until="2026-03-29")
    assert [row["visit_id"] for row in chosen] == [str(second.pk)], "its day is the plant's, not UTC's"
    assert [row["machine"] for row in as_dicts(client, "visits", line=other.line.pk)] == [other.name]


def test_times_are_the_plants_with_their_offset(world, client, db):
    first, second = made.signed_at_the_change_of_clocks(world.machine, world.person("mechanic"))
    second.opened_at = dt.datetime(2026, 7, 1, 10, tzinfo=dt.UTC)
    second.save()
    opened = {row["visit_id"]: row["opened_at"] for row in as_dicts(client, "visits")}
    assert opened[str(first.pk)] == "2026-03-27T23:30:00+01:00"
    assert opened[str(second.pk)] == "2026-07-01T12:00:00+02:00"


def test_what_an_amendment_says_stands_beside_what_was_signed(world, client):
    rows = as_dicts(client, "results", since="2020-01-01")
    changed = [row for row in rows if row["amendment"]]
    assert {row["visit_id"] for row in changed} == {str(world.visits[0].pk)}
    (left,) = [row for row in changed if row["stage"] == "as_left"]
    assert (left["now_x_um"], left["now_y_um"], left["now_radial_um"]) == ("7.0", "24.0", "25.0")
    assert left["x_um"] != "7.0"
    assert all(row["now_radial_um"] == row["radial_um"] for row in rows if not row["amendment"])
    readings = as_dicts(client, "readings")
    assert [row["amended_value_um"] for row in readings] == ["", "", "", "55.0"]
    assert [row["value_um"] for row in readings] == ["0.0", "-20.0", "30.0", "50.0"]


def test_text_that_a_spreadsheet_takes_for_a_formula_is_stopped(world, client):
    (row,) = as_dicts(client, "events")
    assert row["note"] == "'=1+1"
    assert {one["indicator"] for one in as_dicts(client, "readings")} == {"'@dial 1"}
    book = openpyxl.load_workbook(io.BytesIO(take(client, "events", "xlsx")))
    cells = {cell.value: cell.data_type for row in book["Events"].iter_rows(min_row=2) for cell in row}
    assert cells["'=1+1"] == "s"
    assert as_frame(client, "events")["note"].to_list() == ["=1+1"], "Parquet holds no formulas"


@pytest.mark.parametrize(
    ("name", "query", "sentence"),
    [
        ("visits", {"since": "yesterday"}, "This is not a date of the calendar."),
        ("visits", {"since": "2026-02-30"}, "This is not a date of the calendar."),
        ("visits", {"since": "2026-02-02", "until": "2026-02-01"}, "The span ends before it begins."),
        ("visits", {"line": "999999"}, "There is no such line in your plant."),
        ("ranking", {"since": "2026-02-01"}, "it takes no days."),
        ("findings", {"line": "own"}, "it takes no line."),
        ("pareto", {"since": "2020-01-01", "until": "2026-01-01"}, "728 days at most: choose a shorter span."),
    ],
)
def test_what_cannot_be_given_is_refused_in_a_sentence(name, query, sentence, world, client):
    query = {key: world.line.pk if value == "own" else value for key, value in query.items()}
    answer = client.get(f"/exports/{name}.csv", query)
    assert answer.status_code == 422
    assert sentence in answer.content.decode().replace("&#x27;", "'")


def test_a_table_that_is_too_long_for_a_workbook_is_refused(world, client, monkeypatch):
    monkeypatch.setattr(files, "MOST_IN_A_WORKBOOK", 2)
    answer = client.get("/exports/readings.xlsx")
    assert answer.status_code == 422
    assert "take CSV or Parquet" in answer.content.decode()


def test_batches_make_one_file(world):
    table, asked = registry.TABLES["readings"], Asked(world.plant, at=timezone.now())
    (rows,) = table.rows(asked)
    with files.parquet(table, [rows[:1], rows[1:3], rows[3:]], "Europe/Berlin") as file:
        assert pl.read_parquet(file)["reading_id"].to_list() == [row[0] for row in rows]
    assert b"".join(files.csv_pieces(table.columns, [rows[:1], rows[1:]])) == b"".join(
        files.csv_pieces(table.columns, [rows])
    )


def test_more_rows_ask_no_more_questions(world, client, db):
    def asked():
        found = {}
        for name in sorted({*NAMES} - {"machines_today"}):  # the outlook has a test of its own
            with CaptureQueriesContext(connection) as seen:
                take(client, name, "csv")
            found[name] = len(seen)
        return found

    before = asked()
    with protection.lifted():
        more, by = factories.machine(world.line), world.person("mechanic")
        for visit in made.invented.history(more, by, 6, until=timezone.now()):
            made.readings(visit, more.stations.get(kind="domer"), by)
        for _ in range(5):
            factories.finding(world.plant, by, mark="7", code=world.code, place=world.place)
    assert Reading.objects.count() >= 28
    assert asked() == before


def test_the_history_is_for_those_who_may_read_it(world, client):
    mechanic = _client(world.person("mechanic"))
    answer = mechanic.get("/exports/history.csv")
    assert answer.status_code == 403
    assert "Your role does not open this table." in answer.content.decode()
    assert "history," not in mechanic.get("/exports/dictionary.csv").content.decode()
    page = mechanic.get("/exports/").content.decode()
    assert "/exports/history.csv" not in page
    assert "/exports/tooling.csv" in page
    assert 'href="/setup/"' not in page, "nor does a link lead where the role may not go"
    assert "/exports/history.csv" in client.get("/exports/").content.decode()
    assert client.get("/exports/nothing.csv").status_code == client.get("/exports/visits.pdf").status_code == 404


def test_the_page_says_how_much_there_is_of_each(world, client):
    page = client.get("/exports/").content.decode()
    assert "Being counted" in page
    counted = client.get("/exports/", headers={"HX-Request": "true"}).content.decode()
    assert "<strong>4</strong> rows" in counted.split('id="readings"')[1].split("</section>")[0]
    assert "Being counted" not in counted
    few = {"since": "2001-01-01", "until": "2001-01-02", "line": world.line.pk}
    counted = client.get("/exports/", few, headers={"HX-Request": "true"}).content.decode()
    part = counted.split('id="visits"')[1].split("</section>")[0]
    assert "<strong>0</strong> rows" in part
    assert f"visits.csv?line={world.line.pk}&amp;since=2001-01-01&amp;until=2001-01-02" in part
    assert "findings.csv?since" in counted, "no line is asked of a table of the whole plant"
    assert client.get("/exports/", {"since": "no day"}).status_code == 422


def test_an_administrator_of_no_plant_chooses_one(world):
    outside, other = _client(factories.person("administrator")), World()
    factories.visit(other.machine, other.person("mechanic"))
    rows = as_dicts(outside, "visits", plant=other.plant.pk)
    assert [row["machine"] for row in rows] == [other.machine.name]
    assert len(as_dicts(outside, "visits", plant=world.plant.pk)) == len(world.visits)
    wrong = outside.get("/exports/visits.csv", {"plant": other.plant.pk, "line": world.line.pk})
    assert wrong.status_code == 422
