"""Typed readings: saved at once, asked about, refused in one sentence, never doubled, never overwritten unseen."""

import pytest
from django.utils import timezone

from linelog.alignment.models import Reading, Result, Sweep
from linelog.web.models import AuditEvent
from tests import factories
from tests.alignment.helpers import CENTRED, HTMX, OUT_HIGH, address, say_which_face, seen, type_one, type_round

pytestmark = pytest.mark.django_db


@pytest.fixture
def job(signed_in):
    machine = factories.machine()
    mechanic = factories.person("mechanic", machine.line.plant)
    visit = factories.visit(machine, mechanic, opened_at=timezone.now())
    return signed_in(mechanic), visit, machine.stations.get(kind="domer")


def test_one_reading_is_on_the_server_before_the_sweep_is_whole(job):
    client, visit, domer = job
    type_one(client, visit, domer, 90, "+0.05")
    reading = Reading.objects.get()
    assert (reading.value_um, reading.typed, reading.unit) == (50.0, "+0.05", "mm")
    assert AuditEvent.objects.filter(action="typed reading").count() == 1


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        ("abc", "is not a number"),
        ("NaN", "is not a number"),
        ("inf", "is not a number"),
        ("1e308", "is not a number"),
        ("1,2,3", "is not a number"),
        ("--5", "is not a number"),
        ("99999", "more than any dial shows"),
        ("12", "is this"),  # 12 mm on a dial: asked about, not refused for good
        ("0.0004", "is this in inches?"),  # the classic: an inch typed as mm
    ],
)
def test_what_cannot_be_a_reading_is_told_in_one_sentence_and_not_stored(job, typed, sentence):
    client, visit, domer = job
    response = type_one(client, visit, domer, 0, typed)
    assert response.status_code == 422
    assert sentence in response.content.decode()
    assert not Reading.objects.exists()


def test_a_question_that_is_answered_stores_the_reading(job):
    client, visit, domer = job
    assert type_one(client, visit, domer, 0, "2.5").status_code == 422
    assert type_one(client, visit, domer, 0, "2.5", meant="2.5").status_code == 200
    assert Reading.objects.get().value_um == 2500.0


def test_a_decimal_comma_and_a_true_minus_sign_are_read(job):
    client, visit, domer = job
    type_one(client, visit, domer, 0, "−0,05")
    assert Reading.objects.get().value_um == -50.0


def test_two_readings_at_one_angle_are_one_reading_changed(job):
    client, visit, domer = job
    type_one(client, visit, domer, 0, "0.05")
    type_one(client, visit, domer, 0, "0.06", version=1)
    reading = Reading.objects.get()
    assert (reading.value_um, reading.version) == (60.0, 2)
    event = AuditEvent.objects.get(action="changed reading")
    assert (event.before["value_um"], event.after["value_um"]) == (50.0, 60.0)


def test_an_angle_that_the_sweep_has_not_is_refused(job):
    client, visit, domer = job
    response = type_one(client, visit, domer, 45, "0.05")
    assert response.status_code == 422
    assert "no such position" in response.content.decode()


def test_an_empty_field_takes_the_reading_away_and_the_history_keeps_it(job):
    client, visit, domer = job
    type_round(client, visit, domer, OUT_HIGH)
    assert Result.objects.exists()
    for angle in (0, 90):
        assert type_one(client, visit, domer, angle, "", version=1).status_code == 200
    assert not Result.objects.exists()
    assert AuditEvent.objects.filter(action="took reading away").count() == 2


def test_the_second_of_two_people_is_told_and_loses_nothing(job, client):
    first, visit, domer = job
    type_one(first, visit, domer, 0, "0.05")
    second = factories.person("mechanic", visit.machine.line.plant)
    client.force_login(second)
    response = type_one(client, visit, domer, 0, "0.09")  # has not seen the first one's reading
    said = response.content.decode()
    assert response.status_code == 409
    assert "typed 0.05\u202fmm here meanwhile" in said
    assert "yours, 0.09\u202fmm" in said
    assert Reading.objects.get().value_um == 50.0
    assert type_one(client, visit, domer, 0, "0.09", version=1).status_code == 200
    assert Reading.objects.get().value_um == 90.0


def test_the_same_reading_from_two_people_is_no_conflict(job, client):
    first, visit, domer = job
    type_one(first, visit, domer, 0, "0.05")
    client.force_login(factories.person("mechanic", visit.machine.line.plant))
    assert type_one(client, visit, domer, 0, "0.05").status_code == 200


def test_sent_twice_under_one_key_it_is_stored_once(job):
    client, visit, domer = job
    for _ in range(2):
        assert type_one(client, visit, domer, 0, "0.05", key="tablet-1").status_code == 200
    assert Reading.objects.get().version == 1
    assert AuditEvent.objects.filter(action="typed reading").count() == 1


def test_no_static_reading_before_the_lockout_is_verified(signed_in):
    machine = factories.machine()
    mechanic = factories.person("mechanic", machine.line.plant)
    visit = factories.visit(machine, mechanic, locked_out=False)
    client = signed_in(mechanic)
    domer = machine.stations.get(kind="domer")
    response = type_one(client, visit, domer, 0, "0.05")
    assert response.status_code == 422
    assert "verify the lockout" in response.content.decode()
    assert not Reading.objects.exists()
    assert "Lockout first" in client.get(address("station", visit, domer)).content.decode()


def test_no_static_reading_on_a_machine_logged_as_running(signed_in):
    machine = factories.machine()
    mechanic = factories.person("mechanic", machine.line.plant)
    visit = factories.visit(machine, mechanic, machine_runs=True)
    response = type_one(signed_in(mechanic), visit, machine.stations.get(kind="domer"), 0, "0.05")
    assert response.status_code == 422
    assert "logged as running" in response.content.decode()


def test_a_missing_position_is_named_and_holds_the_move_back(job):
    client, visit, domer = job
    response = type_round(client, visit, domer, {k: v for k, v in OUT_HIGH.items() if k != "270"})
    said = response.content.decode()
    assert "Still to read: 9 o&#x27;clock" in said
    assert "No move yet" in said
    assert "Lift screw" not in said


def test_a_closure_beyond_its_limit_asks_to_read_again_and_withholds_the_move_until_confirmed(job):
    client, visit, domer = job
    response = type_round(client, visit, domer, OUT_HIGH | {"270": "0.11"})
    said = response.content.decode()
    assert "Read it again" in said
    assert "Closure" in said
    assert "Lift screw" not in said
    assert Result.objects.exists()  # the readings are kept all the same
    confirmed = client.post(address("accept", visit, domer), seen("accept", response), headers=HTMX).content.decode()
    assert "Lift screw" in confirmed


def test_a_changed_reading_takes_the_confirmation_back(job):
    client, visit, domer = job
    answer = type_round(client, visit, domer, OUT_HIGH | {"270": "0.17"})
    client.post(address("accept", visit, domer), seen("accept", answer), headers=HTMX)
    assert Sweep.objects.get().odd_accepted
    type_one(client, visit, domer, 270, "0.18", version=1)
    assert not Sweep.objects.get().odd_accepted
    late = client.post(address("accept", visit, domer), seen("accept", answer), headers=HTMX)
    assert late.status_code == 422
    assert "have changed since you saw them" in late.content.decode()
    assert not Sweep.objects.get().odd_accepted


def test_a_return_reading_beyond_its_limit_is_told_with_its_figure(job):
    client, visit, domer = job
    type_round(client, visit, domer, CENTRED)
    said = type_one(client, visit, domer, 0, "0.03", is_return="1").content.decode()
    assert "Return" in said
    assert "+0.020\u202fmm" in said


def test_the_clock_read_from_the_domer_has_3_and_9_swapped(job):
    client, visit, domer = job
    type_round(client, visit, domer, OUT_HIGH)
    from_crank = Result.objects.get().x_um
    form = {
        "unit": "mm", "positions": "4", "touches": "ram-bore", "view": "domer", "resolution": "0.01",
        "sag": "0", "sag_is": "indicated", "sag_uncertainty": "0", "version": "1",
    }  # fmt: skip
    assert client.post(address("sweep", visit, domer), form, headers=HTMX).status_code == 200
    assert Result.objects.get().x_um == pytest.approx(-from_crank)


def test_sag_given_as_true_droop_is_stored_as_the_indicated_reading(job):
    client, visit, domer = job
    type_round(client, visit, domer, OUT_HIGH)
    form = {
        "unit": "mm", "positions": "4", "touches": "ram-bore", "view": "crank", "resolution": "0.01",
        "sag": "0.02", "sag_is": "droop", "sag_uncertainty": "0", "version": "1",
    }  # fmt: skip
    client.post(address("sweep", visit, domer), form, headers=HTMX)
    # Indicated sag is twice the true droop (Pump Handbook, indicator-bar sag figure: 3 mil true, -6 at the bottom);
    # in a bore the hanging dial reads high at 6 and sees the component high by the droop.
    assert Sweep.objects.get().sag_um == 40.0
    assert Result.objects.get().y_um == pytest.approx(60.0 - 20.0)


def test_a_set_up_that_cannot_be_is_refused_beside_its_field(job):
    client, visit, domer = job
    good = {
        "unit": "mm", "positions": "4", "touches": "ram-bore", "view": "crank", "resolution": "0.01",
        "sag": "0", "sag_is": "indicated", "sag_uncertainty": "0",
    }  # fmt: skip
    for more, sentence in (
        ({"resolution": "0"}, "must be"),
        ({"resolution": "x"}, "is not a number"),
        ({"sag": "-0.02"}, "without a sign"),
        ({"positions": "5"}, "Select a valid choice"),
        ({"touches": "component-bore"}, "Select a valid choice"),
        ({"sag": "99"}, "or less"),
    ):
        response = client.post(address("sweep", visit, domer), good | more, headers=HTMX)
        assert response.status_code == 422, more
        assert sentence in response.content.decode(), more


def test_positions_with_readings_on_them_are_not_dropped_silently(job):
    client, visit, domer = job
    form = {
        "unit": "mm", "positions": "8", "touches": "ram-bore", "view": "crank", "resolution": "0.01",
        "sag": "0", "sag_is": "indicated", "sag_uncertainty": "0",
    }  # fmt: skip
    client.post(address("sweep", visit, domer), form, headers=HTMX)
    type_one(client, visit, domer, 45, "0.05")
    response = client.post(address("sweep", visit, domer), form | {"positions": "4", "version": "2"}, headers=HTMX)
    assert response.status_code == 422
    assert "There are readings at 1:30" in response.content.decode()


def test_two_seats_are_swept_apart_and_give_the_slope_between_them(job):
    client, visit, _ = job
    pack = visit.machine.stations.get(kind="tool_pack")
    type_round(client, visit, pack, OUT_HIGH, seat="rear")
    said = type_round(client, visit, pack, CENTRED, seat="front").content.decode()
    front, rear = (Result.objects.get(station=pack, seat=seat) for seat in ("front", "rear"))
    assert (front.y_um, rear.y_um) == (pytest.approx(0.0), pytest.approx(60.0))
    length_mm = pack.z_mm - pack.rear_z_mm
    # A face square to the axis leans the other way than the axis climbs: tilt = -slope.
    assert Result.objects.get(station=pack, seat="front").tilt_y_mm_per_m == pytest.approx(60.0 / length_mm)
    assert "Rear foot: lower by" in said  # its pack was never counted


def test_a_face_sweep_gives_the_tilt_of_the_domer(job):
    client, visit, domer = job
    type_round(client, visit, domer, CENTRED)
    readings = {"0": "0", "90": "0", "180": "0.12", "270": "0.12"}
    say_which_face(client, visit, domer)
    said = type_round(client, visit, domer, readings, kind="face").content.decode()
    # f = c - rho*(ax*sin t + ay*cos t): ay = (f6 - f12)/(2 rho), with rho = 60 mm: 1 mm/m. Common practice.
    result = Result.objects.get(station=domer)
    assert result.tilt_y_mm_per_m == pytest.approx(0.12 / 120.0 * 1000.0)
    assert "Tilt shim" in said


def test_a_plain_post_without_htmx_leads_back_to_the_same_place(job):
    client, visit, domer = job
    url = address("reading", visit, domer, stage="as_left", repeat=2)
    response = client.post(url, {"repeat": 2, "angle_deg": 0, "value": "0.01", "version": 0})
    assert response.status_code == 302
    assert "stage=as_left" in response.url
    assert Reading.objects.get().repeat == 2
