"""A running value that was measured stands before what the beam expects, and is signed in a row of its own."""

import html
import re

import pytest
from django.urls import reverse
from django.utils import timezone

from linelog.alignment import visit_sheet
from linelog.alignment.models import RunningReading
from linelog.calc.units import Unit
from linelog.production.days import zone
from tests import factories
from tests.alignment.helpers import HTMX, OUT_HIGH, address, type_round

pytestmark = pytest.mark.django_db


@pytest.fixture
def job(signed_in):
    """A domer swept 0.060 mm high, and typed in as running 0.012 left and 0.030 low as its person sees it."""
    machine = factories.machine()
    mechanic = factories.person("mechanic", machine.line.plant)
    client, domer = signed_in(mechanic), machine.stations.get(kind="domer")
    visit = factories.visit(machine, mechanic, opened_at=timezone.now())
    type_round(client, visit, domer, OUT_HIGH)
    return client, visit, domer


def run(job, stage="as_found", x="-0.012", y="-0.030", **more):
    client, visit, domer = job
    form = {"stage": stage, "x": x, "y": y, "expanded": "0.004", "strokes": "80", "view": "domer"} | more
    answer = client.post(address("running", visit, domer), form, headers=HTMX)
    assert answer.status_code == 200, answer.content.decode()[:1500]
    return answer


def text_of(answer):
    page = answer if isinstance(answer, str) else answer.content.decode()
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]*>", " ", page)))


def test_the_column_when_running_shows_what_was_measured_and_the_beams_second(job):
    client, visit, domer = job
    before = text_of(client.get(address("station", visit, domer)))
    assert "When running, expected" in before
    run(job)
    page = text_of(client.get(address("station", visit, domer)))
    assert "When running, measured" in page
    row = re.search(r"Across \(\+ right\) (.*?) Up \(\+ up\) (.*?) Radial", page)
    # 0.004 is typed as U of each axis; across was typed as seen from the domer, and the clock is read from there.
    sign = "−" if visit.sweeps.get().view == "domer" else "+"
    assert row[1].endswith(f"{sign}0.012 0.004")
    assert row[2].endswith("−0.030 0.004")
    assert "Expected when running, second to what was measured: across" in page


def test_the_visit_and_its_sheet_show_both_marked_with_the_measured_one_first(job):
    client, visit, _ = job
    run(job)
    page = text_of(client.get(address("visit", visit)))
    assert re.search(r"running 0\.032 ± 0\.\d+ measured expected 0\.\d+ ± 0\.\d+", page)  # hypot(12, 30) = 32.3
    (told,) = [
        one for one in visit_sheet.content(visit, Unit.MM, timezone.now())["stations"] if one["name"] == "Domer"
    ]
    static = next(one for one in told["results"] if one["what"] == "As found")
    assert re.fullmatch(r"running 0\.032 ± \S+ measured; running \S+ ± \S+ expected", static["running"])


def ran_rows(client, visit):
    page = client.get(reverse("alignment:sign", args=[visit.pk])).content.decode()
    body = page[page.index('id="ran"') :].partition("<tbody>")[2].partition("</tbody>")[0]
    return [text_of(row).strip() for row in re.findall(r"<tr>.*?</tr>", body, re.S)]


def test_a_running_value_is_signed_in_a_row_of_its_own(job):
    client, visit, domer = job
    run(job)
    (said,) = ran_rows(client, visit)
    assert "Domer As found –" in said
    seen = "−" if domer.view == "domer" else "+"
    assert f"across {seen}0.012, up −0.030, seen from the {domer.view}; radial 0.032 ± 0.00" in said
    assert "80 strokes" in said
    typed = RunningReading.objects.get()
    assert str(typed.by) in said
    assert f"{timezone.localtime(typed.at, zone(visit.machine.line.plant)):%Y-%m-%d %H:%M}" in said
    assert said.endswith("holds")


def test_which_running_value_holds_is_said_of_each(job):
    client, visit, domer = job
    run(job)
    run(job, "as_left", x="0.001", y="0.002")
    first, second = ran_rows(client, visit)
    assert first.endswith("as found; the one as left holds")
    assert re.search(r"\d\d:\d\d holds$", second)
    factories.lockout(visit, visit.opened_by)
    client.post(address("move", visit, domer), {"words": "one turn"}, headers=HTMX)
    first, second = ran_rows(client, visit)
    assert first.endswith("holds no more: measured before the moves")
    assert second.endswith("holds no more: measured before the last move")
