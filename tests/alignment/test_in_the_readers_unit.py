"""Forms and sentences that spoke of another unit than their reader's: 0.001 in is 25.4 um exactly (NIST SP 811)."""

import html
import json
import re

import pytest
from django.urls import reverse
from django.utils import timezone

from linelog.alignment.captures.figures import all_figures
from linelog.alignment.forms.amend import AmendForm
from linelog.alignment.forms.bar import BarForm
from linelog.alignment.forms.bushing import ClearanceForm
from linelog.alignment.forms.sweep import SweepForm, pieces_typed
from linelog.alignment.models import AmendedReading, Reading, Visit
from linelog.calc.units import Unit
from linelog.web.errors import Refused
from linelog.web.plotly import untyped
from tests import factories
from tests.alignment.capturing import Site, as_csv, frame
from tests.alignment.helpers import CENTRED, HTMX, OUT_HIGH, address, say_which_face, type_one, type_round

pytestmark = pytest.mark.django_db

MM = re.compile(r"\d[\s\u202f]?(mm|µm)\b")


@pytest.fixture
def machine():
    return factories.machine()


@pytest.fixture
def domer(machine):
    return machine.stations.get(kind="domer")


@pytest.fixture
def signed(machine, domer, signed_in):
    """A visit that somebody who reads mm swept from the domer, signed."""
    who = factories.person("mechanic", machine.line.plant, unit="mm")
    visit = factories.visit(machine, who, opened_at=timezone.now())
    client = signed_in(who)
    set_up = {"positions": "4", "touches": "ram-bore", "view": "domer", "resolution": "0.01", "version": "0"}
    assert client.post(address("sweep", visit, domer), set_up, headers=HTMX).status_code == 200
    type_round(client, visit, domer, OUT_HIGH)
    Visit.objects.filter(pk=visit.pk).update(state="signed", signed_by=who, signed_at=timezone.now())
    visit.refresh_from_db()
    return visit


@pytest.fixture
def inch(machine, client):
    who = factories.person("mechanic", machine.line.plant, unit="inch")
    client.force_login(who)
    return client


def text_of(answer):
    page = html.unescape(re.sub(r"<[^>]*>", " ", answer.content.decode()))
    return re.sub(r"\s+", " ", page)


def test_the_amendment_form_shows_every_reading_and_value_in_the_readers_unit_with_its_view(signed, inch):
    answer = inch.get(address("amend", signed))
    page = text_of(answer)
    assert "6 o'clock: +0.0047 in (typed 0.12 mm)" in page  # 0.12 / 25.4
    assert 'optgroup label="Domer, as found, bore or outside, seen from the domer"' in answer.content.decode()
    # In a bore dy = (R6 - R12)/2 = 0.060 mm and dx = (R9 - R3)/2 = 0.010 mm, as seen from where it was read.
    station_view = signed.machine.stations.get(kind="domer").view
    across = "-" if station_view == "crank" else "+"
    assert f"across {across.replace('-', '−')}0.0004, up +0.0024 in, seen from the {station_view}" in page
    assert "What the dial showed (in)" in page
    assert not MM.findall(re.sub(r"\(typed [^)]*\)", "", page))


def test_what_the_dial_showed_is_typed_in_the_unit_that_the_form_named(signed, inch):
    at_six = Reading.objects.get(angle_deg=180)
    form = {"reason": "read from the photo", "reading": at_six.pk, "typed": "0.0030", "unit": "inch", "meant": "on"}
    assert inch.post(address("amend", signed), form).status_code == 302
    row = AmendedReading.objects.get()
    assert (row.value_um, row.unit) == (pytest.approx(76.2), "inch")
    late = AmendForm(form, visit=signed, unit=Unit.MM)  # who changed the unit since the form was opened
    assert late.is_valid()
    assert late.retyped().value_um == pytest.approx(76.2)
    page = text_of(inch.get(address("visit", signed)))
    assert "6 o'clock, seen from the domer, +0.0047 in (typed 0.12 mm) should be 0.0030 in" in page.replace(
        "\u202f", " "
    )
    assert "+0.0047 in (typed 0.12 mm) amended to 0.0030 in" in text_of(
        inch.get(address("station", signed, signed.machine.stations.get(kind="domer")))
    )


def test_a_conflict_tells_the_other_ones_reading_in_the_unit_of_who_types(machine, domer, signed_in, client):
    plant = machine.line.plant
    first, second = factories.person("mechanic", plant, unit="mm"), factories.person("mechanic", plant, unit="inch")
    visit = factories.visit(machine, first, opened_at=timezone.now())
    type_one(signed_in(first), visit, domer, 0, "0.127")
    client.force_login(second)
    said = text_of(type_one(client, visit, domer, 0, "0.002", unit="inch"))
    assert "typed +0.0050 in (typed 0.127 mm) here meanwhile; yours, 0.002 in" in said.replace("\u202f", " ")


def test_the_place_of_a_bushings_dial_is_typed_in_the_readers_own_unit():
    form = ClearanceForm(
        {"stage": "as_found", "up_down_um": "0.0016", "resolution_um": "0.0001", "dial_z_mm": "-8", "unit": "inch"},
        unit=Unit.INCH,
    )
    assert form.fields["dial_z_mm"].label.endswith("z (in)")
    assert form.is_valid(), form.errors
    assert form.typed().dial_z_mm == pytest.approx(-203.2)  # 8 * 25.4
    assert 'value="-8"' in str(ClearanceForm(unit=Unit.INCH, initial={"dial_z_mm": -203.2})["dial_z_mm"])
    far = ClearanceForm(form.data | {"dial_z_mm": "-5080"}, unit=Unit.INCH)
    assert "196.85" in str(far.errors["dial_z_mm"])
    in_mm = ClearanceForm(form.data | {"unit": "um", "up_down_um": "40", "resolution_um": "1"}, unit=Unit.UM)
    assert in_mm.fields["dial_z_mm"].label.endswith("z (mm)")
    assert in_mm.is_valid()
    assert in_mm.typed().dial_z_mm == -8.0


@pytest.mark.parametrize(("kind", "sign"), [("rim", "a size without a sign"), ("face", "with its sign")])
def test_the_sag_says_what_is_typed_where_it_is_measured_and_in_which_unit(kind, sign):
    """S is the bracket's indicated reading at 6 relative to 12 on a stiff mandrel: common practice, no source."""
    sag = SweepForm(kind=kind, unit=Unit.INCH)["sag"]
    assert sag.label == "Sag of the bracket, read at 6 (in)"
    assert "stiff mandrel, dial zeroed at 12: what it shows at 6" in sag.help_text
    assert sign in sag.help_text
    assert ("sag_is" in SweepForm(kind=kind, unit=Unit.MM).fields) == (kind == "rim"), "no droop of a face"


def test_the_sag_of_the_bar_says_so_too():
    assert "dial zeroed at 12: what it shows at 6, as a size without a sign" in BarForm(unit=Unit.MM)["sag"].help_text


def test_what_a_closure_adds_to_a_tilt_is_told_in_the_readers_slope(machine, domer, inch):
    plant = machine.line.plant
    plant.inch_tilt = "in/in"
    plant.save()
    visit = factories.visit(machine, factories.person("mechanic", plant), opened_at=timezone.now())
    type_round(inch, visit, domer, dict.fromkeys(CENTRED, "0.0004"))
    say_which_face(inch, visit, domer, view="crank", resolution="0.0001", face_radius="2.0")
    type_round(inch, visit, domer, {"0": "0", "90": "0.004", "180": "0.003", "270": "0.004"}, kind="face")
    page = text_of(inch.get(address("station", visit, domer, kind="face")))
    inch.post(address("accept", visit, domer, kind="face"), {"seen": _seen(inch, visit, domer)}, headers=HTMX)
    page = text_of(inch.get(address("station", visit, domer, kind="face")))
    assert re.search(r"and 0\.0\d{5} in/in for a closure", page), page[page.find("U = k") :][:300]
    assert "mm/m" not in page


def _seen(client, visit, domer):
    page = client.get(address("station", visit, domer, kind="face")).content.decode()
    return re.search(r'/accept/.*?name="seen" value="([0-9a-f]+)"', page, re.S)[1]


def test_a_shim_is_refused_in_the_unit_it_was_counted_in():
    with pytest.raises(Refused, match=r"0\.020 \+ 0\.004"):
        pieces_typed("", Unit.INCH)
    with pytest.raises(Refused, match=r"from 0\.000039 to 0\.2 in"):
        pieces_typed("20", Unit.INCH)
    with pytest.raises(Refused, match=r"from 0\.001 to 5 mm"):
        pieces_typed("20", Unit.MM)


def test_the_rams_chart_and_the_position_it_is_drawn_at_are_in_the_readers_units(machine, inch):
    url = reverse("alignment:ram", args=[machine.pk])
    answer = inch.get(url)
    assert "Ram position, from full back (in)" in answer.content.decode()
    assert inch.get(url, {"travel": "10", "unit": "inch"}).context["asked"].chosen_mm == pytest.approx(254.0)
    assert inch.get(url, {"travel": "254"}).context["asked"].chosen_mm == 254.0, "an address that says no unit is mm"
    far = inch.get(url, {"travel": "500", "unit": "inch"})
    assert "The ram travels from 0 to 24.016\u202fin." in html.unescape(far.content.decode())  # 610 mm
    figure = inch.get(reverse("alignment:ram_figures", args=[machine.pk]), {"travel": "254"}).json()["ram"]
    told = json.dumps(figure, ensure_ascii=False)
    assert not MM.findall(told.replace("\u202f", " "))
    assert "mm" not in json.dumps(figure["layout"])
    assert figure["layout"]["xaxis"]["title"]["text"] == "z, in from the front edge of the front bushing"
    assert "10.000\u202fin from full back, chosen" in {trace["name"] for trace in figure["data"]}
    forward = next(trace for trace in figure["data"] if "full forward" in trace["name"])
    assert untyped(forward["x"])[-1] == pytest.approx(700.0 / 25.4)


def test_a_captures_chart_over_the_ram_is_in_the_readers_unit():
    capture = Site().receive(as_csv(frame()))
    in_mm, in_inches = (all_figures(capture.result, 25.0, unit) for unit in (Unit.MM, Unit.INCH))
    assert in_inches["travel"]["layout"]["xaxis"]["title"]["text"] == "Ram position forward of full back, in"
    ends = [figures["travel"]["layout"]["xaxis"]["range"][1] for figures in (in_mm, in_inches)]
    assert ends[0] / ends[1] == pytest.approx(25.4)
    path = [untyped(figures["travel"]["data"][1]["x"]) for figures in (in_mm, in_inches)]
    assert path[1] == pytest.approx(path[0] / 25.4)
    hover = [said[0] for trace in in_inches["path"]["data"] for said in trace.get("customdata", [])]
    assert hover
    assert not any("mm" in said for said in hover)
