"""The sheet of a visit: rendered as it is printed, and every value looked for in what came out."""

import datetime as dt
import html
import io
import re
import time

import pytest
from django.urls import reverse
from django.utils import timezone
from PIL import Image
from pypdf import PdfReader

from linelog.alignment import visit_sheet
from linelog.alignment.models import Amendment, BushingClearance, Reading, Result, Visit
from linelog.alignment.services import lockouts
from linelog.calc.units import Unit
from linelog.plant.models import Person
from tests import factories
from tests.alignment.helpers import CENTRED, HTMX, OUT_HIGH, address, seen, type_one, type_round

pytestmark = pytest.mark.django_db
PAPERS = {"a4": (595.3, 841.9), "letter": (612.0, 792.0)}  # points, ISO 216 and ANSI/ASME Y14.1
# Each of these means something to typst in markup, as in tests/planning/test_sheet.py.
SPECIAL = '#panic("x") *b* _i_ $x^2$ `c` @r <l> = h // c \\ [e] {f}'


@pytest.fixture
def told(signed_in):
    """A signed visit with all that can hang on one, of a plant whose times are a long way from the server's."""
    machine = factories.machine(factories.line(factories.plant(timezone="Asia/Tokyo")))
    mechanic = factories.person("mechanic", machine.line.plant)
    client, domer = signed_in(mechanic), machine.stations.get(kind="domer")
    visit = factories.visit(
        machine, mechanic, locked_out=False, opened_at=timezone.now(), oil_c=41.5, room_c=23.5, note=SPECIAL
    )
    given = lockouts.Verification("V. Erifier", procedure="LO-77", lock="L14")
    lockouts.verify_lockout(by=mechanic, visit=visit, given=given, at=timezone.now())
    offered = seen("advised", type_round(client, visit, domer, OUT_HIGH))
    client.post(address("advised", visit, domer), offered, headers=HTMX)
    type_round(client, visit, domer, CENTRED, stage="as_left")
    client.post(address("note", visit, domer), {"note": "wedge worn", "version": 0}, headers=HTMX)
    back = lockouts.Return(
        "R. Eturner", True, True, True, frozenset(visit.lockouts.get().locks.values_list("pk", flat=True))
    )
    lockouts.return_to_service(by=mechanic, visit=visit, given=back, at=timezone.now())
    Visit.objects.filter(pk=visit.pk).update(state="signed", signed_by=mechanic, signed_at=timezone.now())
    visit = Visit.objects.select_related("machine__line__plant", "opened_by", "signed_by").get(pk=visit.pk)
    value = {"station": domer, "stage": "as_found", "x_um": 20.0, "y_um": 30.0}
    Amendment.objects.create(visit=visit, reason="the dial was loose", by=mechanic, at=timezone.now(), **value)
    return client, visit


def text_of(pdf):
    """All text of a PDF, with its blanks made plain: a line may be broken anywhere."""
    pages = PdfReader(io.BytesIO(pdf)).pages
    return re.sub(r"\s+", "", "".join(page.extract_text() for page in pages)), pages


def values_in(told_of):
    """Every text of the sheet's content."""
    if isinstance(told_of, str):
        yield told_of
    elif isinstance(told_of, dict):
        for one in told_of.values():
            yield from values_in(one)
    elif isinstance(told_of, list | tuple):
        for one in told_of:
            yield from values_in(one)


@pytest.mark.parametrize(("paper", "unit"), [("a4", Unit.MM), ("letter", Unit.INCH)])
def test_every_value_is_on_the_paper_and_none_beyond_its_edge(told, paper, unit):
    client, visit = told
    type(visit.opened_by).objects.update(unit=unit.value)
    answer = client.get(reverse("alignment:sheet_pdf", args=[visit.pk]), {"paper": paper})
    assert answer["Content-Type"] == "application/pdf"
    found, pages = text_of(answer.content)
    content = visit_sheet.content(visit, unit, timezone.now())
    for name in ("made", "paper", "zone"):
        content.pop(name, None)
    missing = [value for value in values_in(content) if re.sub(r"\s+", "", value) not in found]
    assert not missing
    for page in pages:
        assert [float(page.mediabox.width), float(page.mediabox.height)] == pytest.approx(PAPERS[paper], abs=0.5)
    for picture in visit_sheet.pages_of(visit, unit, timezone.now(), paper):
        page = Image.open(io.BytesIO(picture)).convert("L")
        rim = round(12.0 / 25.4 * 80.0)  # the margin is 14 mm at 80 pixels an inch
        for left in (0, page.width - rim):
            strip = page.crop((left, 0, left + rim, page.height))
            assert strip.getextrema() == (255, 255), "something is cut off at the edge"


def test_the_sheet_says_what_was_read_found_done_left_locked_and_signed(told):
    client, visit = told
    page = client.get(reverse("alignment:sheet", args=[visit.pk])).content.decode()
    for words in (
        *(
            "41.5\u202f°C",
            "23.5\u202f°C",
            "0.12\u202fmm",
            "V. Erifier",
            "LO-77",
            "lock L14",
            "R. Eturner",
            "wedge worn",
        ),
        *("indicator, bar and fittings out and counted", "Signed by", "the dial was loose", "Lift screw"),
        "seen from the crank",
    ):
        assert words in page, words
    content = visit_sheet.content(visit, Unit.MM, timezone.now())
    (domer,) = [one for one in content["stations"] if one["name"] == "Domer"]
    by_hand = {"across": "+0.010", "up": "+0.060"}  # dx = (R9 - R3)/2, dy = (R6 - R12)/2: four-point sweep of a bore
    now, first, left = domer["results"]
    assert first | by_hand == first
    assert (first["remark"], first["verdict"]) == ("first, before the amendment", "out")
    assert (now["across"], now["up"], now["remark"]) == ("+0.020", "+0.030", "as amended")
    assert (left["what"], left["verdict"]) == ("As left", "out when running"), "as the signing page says it"
    assert [value for _, value in domer["sweeps"][0]["turns"][0]] == [
        f"{typed}\u202fmm" for typed in ("0", "0.05", "0.12", "0.07")
    ]


def test_what_was_measured_of_a_bushing_stands_on_it(told):
    _, visit = told
    machine, by = factories.machine(visit.machine.line), visit.opened_by
    other = factories.visit(machine, by, opened_at=timezone.now())
    bushing = machine.stations.get(kind="front_bushing")
    given = {"up_down_um": 42.0, "left_right_um": 31.0, "clearance_up_down_um": 42.0, "clearance_left_right_um": 31.0}
    BushingClearance.objects.create(
        visit=other, station=bushing, stage="as_found", unit="mm", clearance_um=42.0, expanded_um=6.0, limit_um=80.0,
        verdict="in", severity=0.53, algorithm="1", by=by, at=timezone.now(), **given,
    )  # fmt: skip
    found, _ = text_of(visit_sheet.pdf_of(other, Unit.MM, timezone.now()))
    for words in ("travel up and down 0.042, left and right 0.031", "wear limit 0.080"):
        assert words.replace(" ", "") in found, words


def test_offsets_are_told_in_the_view_of_the_sweep(told):
    client, visit = told
    machine, mechanic = factories.machine(visit.machine.line), visit.opened_by
    domer = machine.stations.get(kind="domer")
    type(domer).objects.filter(pk=domer.pk).update(view="domer")
    other = factories.visit(machine, mechanic, opened_at=timezone.now())
    type_round(client, other, domer, OUT_HIGH)
    assert Result.objects.get(visit=other).x_um == pytest.approx(-10.0), "in the machine's frame"
    page = client.get(reverse("alignment:sheet", args=[other.pk])).content.decode()
    assert "12:30 o&#x27;clock, seen from the domer" in page or "12:30 o'clock, seen from the domer" in page
    assert "+0.010" in page, "as the one who stood at the domer has it"


def test_it_says_of_each_station_what_the_visits_own_page_says_of_it(told):
    client, visit = told
    sheet = client.get(reverse("alignment:sheet", args=[visit.pk])).content.decode()
    stands = next(one for one in visit_sheet.content(visit, Unit.MM, timezone.now())["stations"] if one["stands"])
    assert [line.split(":")[0] for line in stands["stands"]] == ["As found", "As found, as amended", "As left"]
    assert stands["targets"][0].startswith("Static target: ")
    assert html.escape(stands["targets"][0]) in sheet
    assert "running" in " ".join(stands["stands"]), "the ram on record says what it does then"
    assert all(html.escape(line) in sheet for line in stands["stands"])


def test_temperatures_and_tilts_are_in_what_the_plant_and_the_reader_read(told):
    _, visit = told
    visit.machine.line.plant.temperature_in, visit.machine.line.plant.inch_tilt = "F", "mil/in"
    facts = dict(visit_sheet.content(visit, Unit.INCH, timezone.now())["facts"])
    assert (facts["Oil"], facts["Room"]) == ("106.7\u202f°F", "74.3\u202f°F")  # 1.8 * 41.5 + 32, 1.8 * 23.5 + 32


def test_every_time_on_it_is_the_plants_whatever_the_servers_clock(told, monkeypatch):
    """The server in New York, the plant in Tokyo: nine hours ahead of UTC, all year."""
    client, visit = told
    monkeypatch.setenv("TZ", "America/New_York")
    time.tzset()
    try:
        page = client.get(reverse("alignment:sheet", args=[visit.pk])).content.decode()
        found, _ = text_of(visit_sheet.pdf_of(visit, Unit.MM, timezone.now()))
    finally:
        monkeypatch.undo()
        time.tzset()
    tokyo = dt.timezone(dt.timedelta(hours=9))
    lockout = visit.lockouts.get()
    for moment in (visit.opened_at, visit.signed_at, lockout.verified_at, lockout.returned_at):
        there = moment.astimezone(tokyo).strftime("%Y-%m-%d %H:%M")
        assert there in page
        assert there.replace(" ", "") in found
        for zone in (dt.UTC, dt.timezone(-dt.timedelta(hours=5)), dt.timezone(-dt.timedelta(hours=4))):
            assert moment.astimezone(zone).strftime("%Y-%m-%d %H:%M") not in page


def test_a_visit_of_another_plant_has_no_sheet(told, client):
    _, visit = told
    client.force_login(factories.person("manager"))
    for name in ("sheet", "sheet_pdf"):
        assert client.get(reverse(f"alignment:{name}", args=[visit.pk])).status_code == 404


@pytest.mark.parametrize("reader", list(Unit))
def test_a_reading_stands_in_the_unit_it_was_typed_in_and_in_no_other(signed_in, reader):
    """Set up in mm, read by a person who reads inches: 0.0024 in is 60.96 um (NIST SP 811)."""
    machine = factories.machine()
    plant, domer = machine.line.plant, machine.stations.get(kind="domer")
    visit = factories.visit(machine, factories.person("mechanic", plant), opened_at=timezone.now())
    first, second = (factories.person("mechanic", plant, unit=unit) for unit in ("mm", "inch"))
    type_one(signed_in(first), visit, domer, 0, "0.01")
    client = signed_in(second)
    type_round(client, visit, domer, {"90": "-0.0024", "180": ".0005", "270": "0"})
    (told,) = [
        one for one in visit_sheet.content(visit, reader, timezone.now())["stations"] if one["name"] == "Domer"
    ]
    (sweep,) = told["sweeps"]
    readings = {"12": "0.01\u202fmm", "3": "−0.0024\u202fin", "6": ".0005\u202fin", "9": "0\u202fin"}
    assert dict(sweep["turns"][0]) == readings
    for angle, typed in zip((0, 90, 180, 270), readings.values(), strict=True):
        assert Reading.objects.get(angle_deg=angle).as_typed == typed
    Person.objects.update(unit=reader.value)
    page = html.unescape(client.get(reverse("alignment:sheet", args=[visit.pk])).content.decode())
    assert "<strong>3:</strong> −0.0024\u202fin</span>" in page
    text, _ = text_of(visit_sheet.pdf_of(visit, reader, timezone.now()))
    assert "3:−0.0024in" in text
    for words in (page, text):
        assert not re.search(r"[0-9]\s*(in|inch|mm)\s*(in|inch|mm|µm|um)\b", words)
