"""Unit, view and set-up of a clock: whose they are, what is asked back, and what is said of them."""

import re

import pytest
from django.urls import reverse
from django.utils import timezone

from linelog.alignment.captures.warning_words import Reader, warning_words
from linelog.alignment.forms.amend import AmendForm
from linelog.alignment.forms.sweep import ReadingForm
from linelog.alignment.models import Reading, Result, Sweep
from linelog.calc.readings import View
from linelog.calc.units import Unit
from linelog.plant.models import Person
from linelog.production.days import zone
from tests import factories
from tests.alignment.helpers import CENTRED, HTMX, OUT_HIGH, address, say_which_face, type_one, type_round

pytestmark = pytest.mark.django_db

SET_UP = {
    "positions": "4",
    "touches": "ram-bore",
    "view": "domer",
    "resolution": "0.01",
    "sag": "0.006",
    "version": "0",
}


@pytest.fixture
def machine():
    return factories.machine()


@pytest.fixture
def domer(machine):
    return machine.stations.get(kind="domer")


def one_visit(machine, who, **more):
    return factories.visit(machine, who, opened_at=timezone.now(), **more)


@pytest.fixture
def mm_visit(machine, domer, signed_in):
    """A visit before, by somebody who reads mm, with a set-up of its own."""
    who = factories.person("mechanic", machine.line.plant, unit="mm")
    visit = one_visit(machine, who)
    client = signed_in(who)
    assert client.post(address("sweep", visit, domer), SET_UP, headers=HTMX).status_code == 200
    type_round(client, visit, domer, CENTRED)
    return visit


@pytest.fixture
def inch(machine, client):
    who = factories.person("mechanic", machine.line.plant, unit="inch")
    client.force_login(who)
    return client, who


def test_the_clock_is_in_the_unit_of_who_types_and_never_in_that_of_the_last_sweep(machine, domer, mm_visit, inch):
    # .087 of an inch dial became 2.2 mm where the last sweep had been read in mm. 25.4 um a thousandth: NIST SP 811.
    client, who = inch
    visit = one_visit(machine, who)
    page = client.get(address("station", visit, domer)).content.decode()
    assert '<strong class="clock-unit">inch</strong>' in page
    assert '12 o&#x27;clock<span class="vh">, inch</span>' in page
    assert page.count('name="unit" value="inch"') >= 5
    assert type_one(client, visit, domer, 0, ".0087").status_code == 200
    reading = Reading.objects.get(sweep__visit=visit)
    assert (reading.value_um, reading.unit, reading.sweep.unit) == (pytest.approx(220.98), "inch", "inch")


def test_readings_in_the_other_unit_are_shown_converted_and_it_is_said(machine, domer, mm_visit, inch):
    client, _ = inch
    page = client.get(address("station", mm_visit, domer)).content.decode()
    assert page.count('value="+0.0004"') == 4  # 0.01 mm
    assert "typed 0.01\u202fmm" in page
    assert "Some readings were typed in mm: shown here converted to inch." in page


def test_a_set_up_taken_over_is_marked_until_one_tap_confirms_it(machine, domer, mm_visit, inch):
    client, who = inch
    visit = one_visit(machine, who)
    day = timezone.localtime(mm_visit.opened_at, zone(machine.line.plant))
    said = f"Taken over from the visit of {day:%Y-%m-%d}; is it so today?"
    page = client.get(address("station", visit, domer)).content.decode()
    assert said in page
    type_one(client, visit, domer, 0, "0.001")
    sweep = Sweep.objects.get(visit=visit)
    assert (sweep.set_up_from, sweep.taken_over_from) == ("visit", mm_visit.opened_at)
    form = re.search(r'set-up confirmed">(.*?)</form>', page, re.S)[1]
    shown = dict(re.findall(r'name="(\w+)" value="([^"]*)"', form))
    assert "e-" not in shown["sag"] + shown["resolution"]
    answer = client.post(address("sweep", visit, domer), shown, headers=HTMX)
    assert answer.status_code == 200, answer.content.decode()[:800]
    assert "is it so today" not in answer.content.decode()
    sweep.refresh_from_db()
    assert (sweep.set_up_from, sweep.taken_over_from) == ("person", None)
    assert (sweep.view, sweep.sag_um, sweep.resolution_um) == ("domer", 6.0, 10.0), "confirming changes no figure"


def test_in_inches_the_set_up_form_takes_its_own_prefilled_numbers(machine, domer, inch):
    client, who = inch
    visit = one_visit(machine, who)
    sweep = Sweep.objects.create(
        visit=visit, station=domer, stage="as_found", view="domer", sag_um=1.0, resolution_um=1.0
    )
    page = client.get(address("station", visit, domer)).content.decode()
    assert "dial step 0.00004\u202fin" in page, "a step of 0.001 mm is not nothing in inches"
    form = re.search(r'set-up">(?!confirmed)(.*?)</form>', page, re.S)[1]
    shown = dict(re.findall(r'name="(sag|resolution|sag_uncertainty|version|lengths_in)" value="([^"]*)"', form))
    assert shown["sag"] == "0.0000393701"
    chosen = SET_UP | shown
    assert client.post(address("sweep", visit, domer), chosen, headers=HTMX).status_code == 200
    sweep.refresh_from_db()
    assert sweep.sag_um == 1.0


def test_a_wild_number_gets_its_three_real_answers_and_each_stores_what_it_says(machine, domer, signed_in):
    who = factories.person("mechanic", machine.line.plant)
    client, visit = signed_in(who), one_visit(machine, who)
    said = type_one(client, visit, domer, 90, "17")
    text = said.content.decode()
    assert said.status_code == 422
    line = text[text.index('id="said-slot-1-90-0"') :]
    assert re.findall(r"<button>([^<]*)</button>", line) == ["17 µm", "0.017 mm", "Yes, 17 mm"]
    slot = re.search(r'<span id="slot-1-90-0".*?</span>\s*</span>', text, re.S)[0]
    assert "<button" not in slot, "nothing to tap inside the clock"
    stored = []
    for form in re.findall(r'<form class="answer".*?</form>', line, re.S):
        Reading.objects.all().delete()
        sent = dict(re.findall(r'name="(\w+)" value="([^"]*)"', form)) | {"version": "0"}
        sent.pop("csrfmiddlewaretoken", None)
        assert client.post(address("reading", visit, domer), sent, headers=HTMX).status_code == 200
        stored.append(Reading.objects.values_list("value_um", "typed", "unit").get())
    assert stored == [(17.0, "17", "um"), (17.0, "0.017", "mm"), (17_000.0, "17", "mm")]


def test_without_htmx_the_question_stands_once_under_the_clock_and_what_was_typed_in_its_field(
    machine, domer, signed_in
):
    who = factories.person("mechanic", machine.line.plant)
    client, visit = signed_in(who), one_visit(machine, who)
    form = {"repeat": 1, "angle_deg": 90, "value": "17", "version": 0}
    page = client.post(address("reading", visit, domer), form).content.decode()
    assert page.count("is more than the 1.5 mm expected here") == 1
    assert 'name="value" value="17" inputmode' in page


def test_a_conflict_is_decided_by_its_button_alone_and_not_by_typing_on(machine, domer, signed_in, client):
    plant = machine.line.plant
    first = factories.person("mechanic", plant)
    visit = one_visit(machine, first)
    type_one(signed_in(first), visit, domer, 0, "0.05")
    client.force_login(factories.person("mechanic", plant))
    said = type_one(client, visit, domer, 0, "0.09").content.decode()
    slot = re.search(r'<span id="slot-1-0-0".*?<input[^>]*name="version" value="(\d+)"', said, re.S)
    assert slot[1] == "0", "typed once more it is the same conflict"
    assert re.search(r'name="version" value="1"><button>Put mine in its place</button>', said)


@pytest.mark.parametrize(("facing", "tilt"), [("crank", 1.0), ("domer", -1.0)])
def test_which_way_the_face_looks_is_asked_and_turns_the_sign(machine, domer, signed_in, facing, tilt):
    # f = c - rho*(ax*sin t + ay*cos t) on a face that looks to the crank; the plunger points the other way on one
    # that looks to the domer. 0.12 mm across 120 mm is 1 mm/m.
    who = factories.person("mechanic", machine.line.plant)
    client, visit = signed_in(who), one_visit(machine, who)
    type_round(client, visit, domer, CENTRED)
    readings = {"0": "0", "90": "0.06", "180": "0.12", "270": "0.06"}
    said = type_round(client, visit, domer, readings, kind="face").content.decode()
    assert "which way the face looks that was swept: it decides the sign" in said
    assert Result.objects.get().tilt_y_mm_per_m is None
    page = client.get(address("station", visit, domer, kind="face")).content.decode()
    assert 'type="radio" name="facing"' in page
    assert 'name="facing" value="crank" checked' not in page, "not assumed"
    say_which_face(client, visit, domer, facing)
    assert Result.objects.get().tilt_y_mm_per_m == pytest.approx(tilt)


def test_everything_on_the_screen_is_told_as_the_person_at_the_domer_sees_it(machine, domer, signed_in):
    # In a bore dx = (R9 - R3)/2 as seen; read from the domer, the frame's x is the negative of what he sees.
    who = factories.person("mechanic", machine.line.plant)
    client, visit = signed_in(who), one_visit(machine, who)
    assert client.post(address("sweep", visit, domer), SET_UP | {"sag": "0"}, headers=HTMX).status_code == 200
    said = type_round(client, visit, domer, {"0": "0", "90": "-0.1", "180": "0", "270": "0.1"}).content.decode()
    assert Result.objects.get().x_um == pytest.approx(-100.0)
    assert "Component off the ram line, seen from the domer" in said
    assert re.search(r'\(\+ right\)</span></th><td class="n">\+0.100</td>', said)
    assert "toward 3 o&#x27;clock, seen from the domer" in said
    assert "Seen from the domer. One square" in said
    assert "of the ram line, seen from the domer, limit" in said
    page = client.get(address("station", visit, domer)).content.decode()
    assert "plunger in reads +" in page
    Person.objects.update(unit="um")
    assert '<strong class="clock-unit">µm</strong>' in client.get(address("station", visit, domer)).content.decode()


def test_a_running_value_is_typed_and_shown_as_seen_from_where_the_person_stands(machine, domer, signed_in):
    who = factories.person("mechanic", machine.line.plant)
    client, visit = signed_in(who), one_visit(machine, who)
    client.post(address("sweep", visit, domer), SET_UP, headers=HTMX)
    page = client.get(address("station", visit, domer)).content.decode()
    assert "Across, + right, seen from the domer (mm)" in page
    form = {"stage": "as_found", "x": "0.01", "y": "0.02", "expanded": "0.005", "strokes": "50", "view": "domer"}
    said = client.post(address("running", visit, domer), form, headers=HTMX).content.decode()
    assert Result.objects.get(method="running").x_um == -10.0  # stored as seen from the crank
    assert "across +0.010 (+ right, seen from the domer)" in said


def test_a_slide_is_logged_toward_an_hour_of_the_clock_that_is_named(machine, domer, signed_in):
    who = factories.person("mechanic", machine.line.plant)
    client, visit = signed_in(who), one_visit(machine, who)
    client.post(address("sweep", visit, domer), SET_UP, headers=HTMX)
    domer.adjusters.create(name="Side slide", kind="slide", direction_deg=90.0, z_mm=domer.z_mm, resolution_um=1.0)
    page = client.get(address("station", visit, domer)).content.decode()
    assert '<option value="+">toward 9 o&#x27;clock, seen from the domer</option>' in page
    assert '<option value="-">toward 3 o&#x27;clock, seen from the domer</option>' in page


def test_an_amendment_says_from_where_right_is_told(machine, domer, signed_in):
    who = factories.person("manager", machine.line.plant)
    client, visit = signed_in(who), one_visit(machine, who)
    type_round(client, visit, domer, CENTRED)
    result = Result.objects.get()
    form = AmendForm(
        {"reason": "why", "about": result.pk, "x": "0.02", "y": "0.01", "view": "domer"}, visit=visit, unit=Unit.MM
    )
    assert form.is_valid(), form.errors
    assert (form.value().x_um, form.value().y_um) == (-20.0, 10.0)


def test_the_warnings_of_a_capture_are_in_the_readers_unit_and_the_stations_view():
    kick = {
        "code": "kick",
        "subject": "",
        "sentence": "as stored",
        "figures": {"size_um": 50.8, "half_width_um": 2.54, "x_um": 50.8, "y_um": 0.0, "angle_deg": 181.0},
    }
    told = warning_words(kick, Reader(Unit.INCH, View.DOMER)).replace("\u202f", " ")
    # 50.8 um is 0.002 in (NIST SP 811); the frame's 3 is the domer's 9.
    assert told == (
        "At doming the ram jumps 0.00200 in ± 0.00010 in toward 9 o'clock, seen from the domer (crank at 181°)."
    )
    assert warning_words({**kick, "code": "speed"}, Reader(Unit.INCH, View.DOMER)) == "as stored"
    del kick["subject"]
    assert warning_words(kick, Reader(Unit.MM, View.CRANK)) == "as stored", "older than its figures"


@pytest.mark.parametrize(
    ("typed", "unit", "stands_for"),
    [
        ("52", Unit.MM, "0.052"),
        ("-52", Unit.INCH, "-0.052"),
        ("1250", Unit.MM, "1.250"),
        ("0", Unit.MM, "0"),
        ("1.", Unit.MM, "1."),
        (".052", Unit.INCH, ".052"),
        ("52", Unit.UM, "52"),
    ],
)
def test_a_whole_number_is_thousandths_only_where_the_plant_types_them(typed, unit, stands_for):
    """0.001 of the unit, by definition."""
    facts = {"repeat": "1", "angle_deg": "90", "value": typed, "version": "0", "unit": unit.value, "meant": typed}
    form = ReadingForm(facts, unit=unit, resolution_um=1.0, thousandths=True)
    assert form.is_valid(), form.errors
    assert form.typed().text == stands_for
    assert form.typed().value_um == pytest.approx(float(stands_for) * unit.um)
    plain = ReadingForm(facts, unit=unit, resolution_um=1.0)
    plain.is_valid()  # 52 mm is refused: no dial shows it
    assert plain.cleaned_data.get("value", typed) == typed


def test_nothing_is_taken_over_from_a_visit_that_was_dropped(machine, domer, mm_visit, inch):
    client, who = inch
    mm_visit.state, mm_visit.dropped_why = "dropped", "the wrong machine"
    mm_visit.save()
    page = client.get(address("station", one_visit(machine, who), domer)).content.decode()
    assert "Taken over from the visit" not in page
    assert "As the station is set up; is it so today?" in page
    own = client.get(address("station", mm_visit, domer) + "?stage=as_left").content.decode()
    assert "Taken over from the visit" not in own
    assert "is it so today" not in own, "within the dropped visit itself it is what was chosen there"


def test_every_length_of_the_set_up_is_in_the_typists_unit(signed_in):
    """Radius and ram position too: 2.36 in a field of mm makes a tilt 25.4 times too large."""
    machine = factories.machine()
    mechanic = factories.person("mechanic", machine.line.plant, unit="inch")
    visit, domer = factories.visit(machine, mechanic, opened_at=timezone.now()), machine.stations.get(kind="domer")
    client = signed_in(mechanic)
    page = client.get(address("station", visit, domer, kind="face")).content.decode()
    assert "Radius swept (in)" in page
    assert "Ram forward by (in)" in page
    assert "(mm)" not in page
    say_which_face(client, visit, domer, resolution="0.0005", face_radius="2.36", ram_position="24.0")
    sweep = visit.sweeps.get(kind="face")
    assert (sweep.face_radius_mm, sweep.ram_position_mm) == (pytest.approx(59.944), pytest.approx(609.6))
    small = client.post(
        address("sweep", visit, domer, kind="face"),
        {"positions": 4, "view": "crank", "facing": "crank", "resolution": "0.0005", "face_radius": "0.1"},
        headers=HTMX,
    )
    assert small.status_code == 422
    assert "0.1969" in small.content.decode(), "5 mm at the least: a radius of 2.36 mm was meant as inches"


def test_a_tilt_too_large_to_be_true_is_doubted_and_every_page_opens(signed_in):
    """1.4 mm across 2 x 6 mm: 117 mm/m, of a radius typed wrong."""
    machine = factories.machine()
    mechanic = factories.person("mechanic", machine.line.plant)
    visit, domer = factories.visit(machine, mechanic, opened_at=timezone.now()), machine.stations.get(kind="domer")
    client = signed_in(mechanic)
    say_which_face(client, visit, domer, face_radius="6")
    type_round(client, visit, domer, {"0": "0", "90": "0.7", "180": "1.4", "270": "0.7"}, kind="face")
    type_round(client, visit, domer, OUT_HIGH)
    for kind in ("rim", "face"):
        answer = client.get(address("station", visit, domer, kind=kind))
        assert answer.status_code == 200
    assert "a tilt as large as this was hardly read" in answer.content.decode()
    for name in ("visit", "sheet", "sign"):
        assert client.get(reverse(f"alignment:{name}", args=[visit.pk])).status_code == 200
    assert client.get(reverse("alignment:line", args=[machine.pk])).status_code == 200
