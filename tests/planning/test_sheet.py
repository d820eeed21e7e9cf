"""The sheet for a visit: what is on it, and that nothing typed can become a command of the typesetter."""

import zoneinfo

import pytest
from django.urls import reverse
from django.utils import timezone

from linelog.calc.units import Unit
from linelog.planning import sheet as sheets
from linelog.planning.services import entries as services
from linelog.plant.models import Fitting, Station, ToolingSet
from linelog.trends.state.outlook import coming
from linelog.web.models import AuditEvent
from tests import factories
from tests.planning.conftest import stop

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("no_ram")]
# Each of these means something to typst in markup: emphasis, headings, code, references, labels, maths, comments.
SPECIAL = '#panic("x") *b* _i_ $x^2$ `c` @r <l> = h // c /* d */ \\ ~ -- [e] {f} #"g" \u200b "'


@pytest.fixture
def read(plant, machine, now):
    def make(entry=None):
        return sheets.read(coming(plant, 2, at=now, only=machine).machines[machine.pk], entry, "Printed today", now)

    return make


def test_it_holds_what_is_needed_at_the_machine(plant, machine, manager, now, weeks, read):
    tools = ToolingSet.objects.create(plant=plant, name="Set 4A")
    Fitting.objects.create(tooling_set=tools, machine=machine, fitted_at=now)
    stop(plant, weeks[1])
    entry = services.put(by=manager, at=now, machine=machine, week=weeks[1], hours=3.0, reason="x", pinned=False)
    data = sheets.content(read(entry), Unit.MM)
    assert (data["machine"], data["tooling"], data["hours"]) == (machine.name, "Set 4A", "3 h")
    assert data["when"] == entry.starts_at.astimezone(zoneinfo.ZoneInfo(plant.timezone)).strftime("%Y-%m-%d %H:%M")
    assert "Domer" in data["reason"]
    (domer,) = [row for row in data["rows"] if row[0] == "Domer"]
    assert domer[1] == "0.038 (TIR 0.076)"
    assert (
        domer[2].replace("\u202f", " ").startswith("in. In as measured: 0.002 mm off the ram line toward 2 o'clock")
    )
    assert domer[3] == "not known: measure it running"
    assert any("VERIFY" in step for step in data["lockout"])
    assert "29 CFR 1910.147" in data["standards"]
    assert "not permission to start" in data["permission"]
    seats = sum(len(station.seats) for station in machine.stations.all())
    assert len(data["faces"]) == seats
    assert ("Tool pack, rear seat", "from the crank") in [(face["name"], face["view"]) for face in data["faces"]]
    never = [row for row in data["rows"] if row[2] == "never measured"]
    assert len(never) == machine.stations.exclude(kind__in=Station.BUSHINGS).count() - 1


@pytest.mark.parametrize("unit", list(Unit))
def test_it_is_a_pdf_of_one_or_two_pages_in_every_unit(read, unit):
    assert sheets.pdf_of(read(), unit).startswith(b"%PDF-")
    assert len(sheets.pages_of(read(), unit)) == 2


def test_names_that_mean_something_to_the_typesetter_are_only_text(plant, line, machine, manager, now, read):
    """Were one of them read as markup, typst would stop at it (panic, unclosed brackets, unknown reference)."""
    machine.name, line.name = SPECIAL[:40], SPECIAL[-40:]
    line.save()
    machine.save()
    type(plant).objects.update(name=SPECIAL)
    machine.stations.filter(kind="domer").update(name=SPECIAL[:40])
    tools = ToolingSet.objects.create(plant=plant, name=SPECIAL[:40])
    Fitting.objects.create(tooling_set=tools, machine=machine, fitted_at=now)
    plant.refresh_from_db()
    machine.line.refresh_from_db()
    found = read()
    assert sheets.content(found, Unit.MM)["machine"] == SPECIAL[:40]
    assert sheets.pdf_of(found, Unit.MM).startswith(b"%PDF-")


def test_the_page_gives_it_to_whoever_may_look(signed_in, plant, machine):
    client = signed_in(factories.person("mechanic", plant))
    answer = client.get(reverse("planning:sheet", args=[machine.pk]))
    assert answer.status_code == 200
    assert answer["Content-Type"] == "application/pdf"
    assert answer.content.startswith(b"%PDF-")
    assert (
        client.get(reverse("planning:sheet", args=[factories.machine(factories.line(plant)).pk])).status_code == 200
    )


def test_it_says_where_to_leave_a_station_with_the_ram_hanging(plant, machine, now):
    type(machine).objects.filter(pk=machine.pk).update(overhang_mm=650.0)
    machine.refresh_from_db()
    found = sheets.read(coming(plant, 2, at=now, only=machine).machines[machine.pk], None, "Printed today", now)
    (domer,) = [row for row in sheets.content(found, Unit.MM)["rows"] if row[0] == "Domer"]
    assert "above the ram line, ±" in domer[3]
    assert domer[2].startswith("out when running. In as measured, out when running: expected")


def test_every_time_is_the_plants_own_also_for_an_administrator_of_none(
    signed_in, plant, machine, manager, now, weeks, monkeypatch
):
    """A stop at 06:00 in Berlin in June is 04:00 UTC; the sheet, the plan and the history say six o'clock."""
    stop(plant, weeks[1], hour=6)
    entry = services.put(by=manager, at=now, machine=machine, week=weeks[1], hours=3.0, reason="x", pinned=False)
    made, pdf_of = [], sheets.pdf_of
    monkeypatch.setattr(sheets, "pdf_of", lambda sheet, unit: made.append(sheet.made) or pdf_of(sheet, unit))
    client = signed_in(factories.person("administrator"))
    before = timezone.now()
    assert client.get(reverse("planning:sheet", args=[machine.pk])).status_code == 200
    berlin = zoneinfo.ZoneInfo("Europe/Berlin")
    said = {f"Printed {one.astimezone(berlin):%Y-%m-%d %H:%M}" for one in (before, timezone.now())}
    assert made[0] in said
    text = client.get(reverse("planning:machine", args=[machine.pk])).content.decode()
    assert f"{entry.starts_at.astimezone(berlin):%a %Y-%m-%d %H:%M}, 3 h" in text
    written = AuditEvent.objects.first().at.astimezone(berlin)
    assert f"{written:%Y-%m-%d %H:%M:%S}" in client.get("/history/").content.decode()
