"""The record of a visit says one thing of a row wherever it stands, and what was signed stays as it was signed."""

import html
import re

import pytest
from django.urls import reverse
from django.utils import timezone

from linelog.alignment import visit_sheet
from linelog.alignment.models import Reading, Result
from linelog.calc.units import Unit
from tests import factories
from tests.alignment.helpers import CENTRED, HTMX, OUT_HIGH, address, type_round
from tests.alignment.invented import pair
from tests.alignment.signing import sign

pytestmark = pytest.mark.django_db


@pytest.fixture
def job(signed_in):
    """A domer found 0.061 mm off, of a machine that three pairs taught to run 0.060 mm lower than it is read."""
    machine = factories.machine()
    domer = machine.stations.get(kind="domer")
    for days in (0, 30, 60):
        pair(machine, domer, days, (0.0, 60.0), (0.0, 0.0))
    manager = factories.person("manager", machine.line.plant)
    visit = factories.visit(machine, manager, opened_at=timezone.now())
    client = signed_in(manager)
    type_round(client, visit, domer, OUT_HIGH)
    return client, visit, domer


def shown(client, name, visit):
    return html.unescape(client.get(reverse(f"alignment:{name}", args=[visit.pk])).content.decode())


def rows_of(page, station):
    """The table rows that name a station, without markup and with single blanks."""
    rows = [row for row in re.findall(r"<tr>(.*?)</tr>", page, re.S) if str(station) in row]
    return [re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", row)) for row in rows]


def on_the_sheet(visit, stage="As found"):
    (told,) = [
        one for one in visit_sheet.content(visit, Unit.MM, timezone.now())["stations"] if one["name"] == "Domer"
    ]
    return told, [row for row in told["results"] if row["what"].startswith(stage)]


def test_signing_page_visit_and_sheet_say_the_same_of_a_row_with_limit_and_running_value_beside(job):
    # OUT_HIGH is dx = +0.010, dy = +0.060: 0.061 at rest; run 0.060 lower it is 0.010 (tests/alignment/helpers.py).
    client, visit, domer = job
    assert Result.objects.get(visit=visit).verdict == "out"
    _, (row,) = on_the_sheet(visit)
    assert row["verdict"] in ("in", "not proven"), "as it runs, which is trusted from three pairs on"
    assert row["running"].startswith("running 0.010 ±")
    for name in ("sign", "visit"):
        (said,) = [one for one in rows_of(shown(client, name, visit), domer) if "0.061 ±" in one]
        limit = f"{domer.limit_um / 1000:.3f}"
        for words in (f" {limit} ", "running 0.010 ±", f" {row['verdict']} ", f"Out as measured, {row['verdict']}"):
            assert words in said, (name, words, said)
    assert 'class="state out">out' not in shown(client, "sheet", visit)


def test_what_was_signed_keeps_its_verdict_and_the_amended_value_has_its_own_beside_it(job):
    client, visit, domer = job
    client.post(address("move", visit, domer), {"words": "one turn"}, headers=HTMX)
    type_round(client, visit, domer, CENTRED, stage="as_left")
    assert sign(client, visit).status_code == 302
    visit.refresh_from_db()
    before, (row,) = on_the_sheet(visit)
    (as_signed,) = [one for one in rows_of(shown(client, "visit", visit), domer) if "0.061 ±" in one]
    # R6 is 0.24 instead of 0.12 mm: dy = (R6 - R12)/2 = 0.120, so 0.060 when running.
    six = Reading.objects.get(sweep__stage="as_found", angle_deg=180)
    form = {"reason": "the photo shows it", "reading": six.pk, "typed": "0.24", "meant": "on"}
    assert client.post(address("amend", visit), form).status_code == 302
    now, (amended, first) = on_the_sheet(visit)
    assert (first["verdict"], first["running"], first["remark"]) == (
        *(row["verdict"], row["running"]),
        "first, before the amendment",
    )
    assert amended["running"].startswith("running 0.061 ±")
    assert amended["verdict"] not in ("in", row["verdict"])
    assert now["stands"][0] == before["stands"][0]
    assert now["stands"][1].startswith("As found, as amended: ")
    rows = rows_of(shown(client, "visit", visit), domer)
    assert as_signed in rows, "the signed row is what it was, in figures and words"
    (beside,) = [one for one in rows if "amended" in one]
    for words in ("0.120 ±", "running 0.061 ±", amended["verdict"], "first 0.061 ±"):
        assert words in beside, words
    page = shown(client, "visit", visit)
    assert (
        "Domer, as found: 6 o'clock, seen from the crank, 0.12\u202fmm should be <strong>0.24\u202fmm</strong>"
        in page
    )
