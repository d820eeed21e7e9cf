"""Every page as one reads it who thinks in inches, in a plant that reads °F: no other unit stands in a sentence."""

import html
import re

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from tests import factories
from tests.alignment.helpers import HTMX, OUT_HIGH, address, say_which_face, type_round
from tests.test_access import EXPECTED
from tests.world import World

pytestmark = pytest.mark.django_db

FILES = ("photo", "file", "original", "problems", "csv", "sheet", "download", "feed", "template")
FOREIGN = re.compile(r"µm|\d[\s\u202f]?mm\b(?!/)|mm/m|°C|\bin in\b(?! )|\bin in[ ,.]")
#: What may stand there all the same, by page, and why.
ALLOWED = {
    "": [
        r"same figure as thousandths per inch",  # the label of the tilt limit names both: one figure
        r"N/µm",  # the stiffness of an oil film, as its maker gives it
        r"mm, µm or inch|mm or inch|write mm|in mm, um",  # says which units there are
    ],
    "people": [r"µm"],  # the choice of a person's own unit
    "alignment:probe_setup": [r"µm"],  # a probe's calibration sheet is in µm per volt; drawings of the ring in mm
    "alignment:probe_setup_add": [r"µm"],
    "alignment:captures": [r"µm/"],  # likewise
    "plant": [r".*"],  # the machine's geometry is kept, and typed, in mm as on its drawings: it says so at each field
    "production": [r"mm above the dome", r"µm"],  # a wall is gauged at a height in mm; files name the unit they hold
    "trends:wall": [r"mm above the dome"],
    "trends:finding": [r"mm above the dome"],
    "reports:tables": [r".*"],  # files are for programs: each column has one unit, and the page says which
    "alignment:ram": [r"outside|z =|and .* mm|mm of|kg"],  # the ram's own sections, as on its drawing
}


def text_of(page: str) -> str:
    page = re.sub(r"<(script|style|select|option)\b.*?</\1>", " ", page, flags=re.S)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]*>", " ", page)))


def foreign_in(name: str, text: str) -> list[str]:
    allowed = [*ALLOWED[""], *ALLOWED.get(name.partition(":")[0], []), *ALLOWED.get(name, [])]
    found = []
    for match in FOREIGN.finditer(text):
        around = text[max(0, match.start() - 60) : match.end() + 50]
        if not any(re.search(pattern, around) for pattern in allowed):
            found.append(f"{name}: …{around}…")
    return found


@pytest.fixture
def world():
    plant = factories.plant(name="Inch works", temperature_in="F", inch_tilt="mil/in")
    return World(plant=plant)


@pytest.fixture
def reader(world):
    client = Client()
    client.force_login(factories.person("manager", world.plant, unit="inch"))
    return client


def test_no_page_speaks_of_another_unit(world, reader):
    seen, wrong = 0, []
    for name, row in EXPECTED.items():
        if "manager" not in row.who or name.startswith(("web:sign", "admin")) or name.endswith(FILES):
            continue
        answer = reader.get(reverse(name, kwargs=row.parts(world) if row.parts else None))
        if answer.status_code == 200 and answer["Content-Type"].startswith("text/html") and not answer.streaming:
            seen += 1
            wrong += foreign_in(name, text_of(answer.content.decode()))
    assert seen > 60
    assert not wrong, "\n".join(wrong)


def test_the_entry_screen_with_everything_on_it_speaks_of_inches_alone(world, reader):
    machine, domer = world.machine, world.station
    mechanic = factories.person("mechanic", world.plant, unit="inch")
    visit = factories.visit(machine, mechanic, opened_at=timezone.now(), oil_c=40.0, room_c=25.0)
    client = Client()
    client.force_login(mechanic)
    in_inches = {angle: f"{float(text) / 25.4:.4f}" for angle, text in OUT_HIGH.items()}
    type_round(client, visit, domer, in_inches)
    say_which_face(client, visit, domer, view="crank", resolution="0.0001", face_radius="2.4")
    type_round(client, visit, domer, in_inches, kind="face")
    wrong = []
    for kind in ("rim", "face"):
        page = client.get(address("station", visit, domer, kind=kind)).content.decode()
        wrong += foreign_in("entry", text_of(page))
    assert "mil/in" in page
    refused = client.post(
        address("reading", visit, domer), {"repeat": 1, "angle_deg": 0, "value": "17", "version": 0}, headers=HTMX
    )
    wrong += [each for each in foreign_in("entry", text_of(refused.content.decode())) if "17 µm" not in each]
    visit_page = text_of(client.get(address("visit", visit)).content.decode())
    assert "104\u202f°F, 77\u202f°F" in visit_page or "104 °F, 77 °F" in visit_page  # 40 °C and 25 °C: NIST SP 811
    wrong += foreign_in("visit", visit_page)
    assert not wrong, "\n".join(wrong)
