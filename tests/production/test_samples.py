"""The sample files in fixtures/ are what their names say, and fit the invented plant that they are for."""

import tomllib
from pathlib import Path

import pytest

from linelog.production.management.commands import sample_counts as samples
from linelog.production.reading import cells, reader
from tests.production.helpers import TODAY

FOLDER = Path(__file__).resolve().parents[2] / "fixtures"
PLANT = reader.Plant(
    cells.Names({name.lower(): i for i, name in enumerate(samples.MACHINES)}, {"a": 1, "b": 2, "c": 3}),
    tuple(samples.CAUSES),
    TODAY,
)


def read(name):
    with (FOLDER / name).open("rb") as file:
        return reader.read(file, PLANT)


@pytest.mark.parametrize(
    ("name", "rows", "bad"),
    [
        ("counts-week-1.csv", 273, 0),
        ("counts-week-2.xlsx", 273, 0),
        ("counts-week-1-corrected.csv", 274, 0),
        ("counts-with-errors.csv", 40, 10),
    ],
)
def test_each_sample_reads_as_it_should(name, rows, bad):
    got = read(name)
    assert (got.total, got.bad, got.odd, got.asks) == (rows, bad, 0, "")


def test_the_correction_differs_in_five_shifts_and_adds_one():
    before, after = (
        set(read(name).rows.drop("line").rows()) for name in ("counts-week-1.csv", "counts-week-1-corrected.csv")
    )
    assert (len(after - before), len(before - after)) == (6, 5)


def test_the_files_are_those_that_the_command_writes(tmp_path):
    samples.Command().handle(folder=tmp_path)
    for name in ("counts-week-1.csv", "counts-week-1-corrected.csv", "counts-with-errors.csv"):
        assert (tmp_path / name).read_bytes() == (FOLDER / name).read_bytes()


def test_they_speak_of_the_demonstration_plant():
    scenario = tomllib.loads((FOLDER / "scenario.toml").read_text())
    assert set(samples.CAUSES) == {cause["code"] for cause in scenario["causes"]}
    assert set(samples.SHIFTS) == {shift["code"] for shift in scenario["shifts"]}
    assert set(samples.MACHINES) <= {machine["name"] for machine in scenario["machines"]}
