"""A reading of a signed visit typed anew: evaluated again, the first and the new shown wherever the value is."""

import pytest
from django.db import IntegrityError, transaction
from django.urls import reverse
from django.utils import timezone

from linelog.alignment.models import AmendedReading, AmendedResult, Amendment, Reading, Result, Visit
from linelog.alignment.values import latest, signed_results, standing
from tests import factories
from tests.alignment.helpers import CENTRED, HTMX, OUT_HIGH, address, type_round

pytestmark = pytest.mark.django_db


@pytest.fixture
def job(signed_in):
    """A signed visit whose domer was swept 0.060 high and 0.010 to the right as found, centred as left."""
    machine = factories.machine()
    mechanic = factories.person("mechanic", machine.line.plant)
    client, domer = signed_in(mechanic), machine.stations.get(kind="domer")
    visit = factories.visit(machine, mechanic, opened_at=timezone.now())
    type_round(client, visit, domer, OUT_HIGH)
    client.post(address("move", visit, domer), {"words": "one turn"}, headers=HTMX)
    type_round(client, visit, domer, CENTRED, stage="as_left")
    Visit.objects.filter(pk=visit.pk).update(state="signed", signed_by=mechanic, signed_at=timezone.now())
    visit.refresh_from_db()
    return client, visit, domer


def reading(angle, stage="as_found"):
    return Reading.objects.get(sweep__stage=stage, angle_deg=angle)


def retype(client, visit, row, text, **more):
    form = {"reason": "read from the photo", "reading": row.pk, "typed": text, "meant": "on", **more}
    return client.post(address("amend", visit), form)


def value_of(visit, stage="as_found"):
    return next(one for one in standing(signed_results(visit.machine)).values if one.stage == stage)


def test_the_sweep_is_evaluated_anew_and_the_signed_record_stays(job):
    client, visit, _ = job
    before = list(Result.objects.order_by("pk").values()), list(Reading.objects.order_by("pk").values())
    assert retype(client, visit, reading(180), "0.02").status_code == 302
    # dy = (R6 - R12)/2 = (0.02 - 0)/2 = 0.010 and dx = (R9 - R3)/2 = 0.010 mm: the closed form, common practice.
    value = value_of(visit)
    assert (value.x_um, value.y_um) == (pytest.approx(10.0), pytest.approx(10.0))
    assert value.radial_um == pytest.approx(14.142, abs=0.001)
    assert (value.amended.was_x_um, value.amended.was_y_um) == (pytest.approx(10.0), pytest.approx(60.0))
    assert value.verdict != "out"
    assert before == (list(Result.objects.order_by("pk").values()), list(Reading.objects.order_by("pk").values()))


def test_first_and_new_stand_wherever_the_value_does(job):
    client, visit, domer = job
    retype(client, visit, reading(180), "0.02")
    page = client.get(address("visit", visit)).content.decode()
    for words in (
        "0.014 ±",
        "first 0.061 ±",
        "(out)",
        "read from the photo",
        "6 o&#x27;clock, seen from the crank, 0.12\u202fmm should be <strong>0.02\u202fmm",
    ):
        assert words in page, words
    entry = client.get(address("station", visit, domer, stage="as_found")).content.decode()
    for words in ("0.12\u202fmm amended to <strong>0.02\u202fmm</strong>", "As amended, as found", "0.014", "+0.060"):
        assert words in entry, words
    assert "amended" not in client.get(address("station", visit, domer, stage="as_left")).content.decode()
    sheet = client.get(reverse("alignment:sheet", args=[visit.pk])).content.decode()
    for words in (
        "0.02\u202fmm as amended, first 0.12\u202fmm",
        "as amended",
        "first, before the amendment",
        "+0.060",
        "+0.010",
    ):
        assert words in sheet, words


def test_one_amendment_after_another_builds_on_it(job):
    client, visit, _ = job
    retype(client, visit, reading(180), "0.02")
    retype(client, visit, reading(90), "0.07")
    value = value_of(visit)
    assert (value.x_um, value.y_um) == (pytest.approx(0.0, abs=1e-9), pytest.approx(10.0))
    retype(client, visit, reading(180), "0.00")
    assert value_of(visit).y_um == pytest.approx(0.0, abs=1e-9)


def test_as_left_is_what_counts_from_then_on(job):
    client, visit, domer = job
    asked = retype(client, visit, reading(0, "as_left"), "-0.19", meant="")
    assert asked.status_code == 422
    assert "no longer fit together" in asked.content.decode()
    assert "It is meant as typed" in asked.content.decode()
    assert not AmendedReading.objects.exists()
    retype(client, visit, reading(0, "as_left"), "-0.19")
    (now,) = [one for one in latest(type(domer).objects.filter(pk=domer.pk)) if one.stage == "as_left"]
    assert now.y_um == pytest.approx(100.0)
    # R12 + R6 - R3 - R9 = -0.2 mm: such a closure would be read again, which can't be done now, so nothing is proven.
    assert now.verdict == "not proven"


def test_it_is_judged_by_the_limits_of_that_day(job):
    client, visit, domer = job
    type(domer).objects.filter(pk=domer.pk).update(limit_um=1000.0)
    retype(client, visit, reading(180), "0.11")
    value = value_of(visit)
    assert value.limit_um == Result.objects.get(stage="as_found").limit_um
    assert value.verdict == "out"


def test_it_has_the_uncertainty_of_its_own_readings(job):
    """One reading of 12 um more at 6: the closure it leaves is doubted, so both standard uncertainties change."""
    client, visit, _ = job
    first = Result.objects.get(stage="as_found")
    retype(client, visit, reading(180), "0.06")
    row, value = AmendedResult.objects.get(), value_of(visit)
    assert row.u_y_um > first.u_y_um
    assert (value.u_x_um, value.u_y_um, value.expanded_um) == (row.u_x_um, row.u_y_um, row.expanded_um)


def test_a_value_set_aside_stays_set_aside(job):
    client, visit, _ = job
    result = Result.objects.get(stage="as_found")
    client.post(address("amend", visit), {"reason": "loose", "about": result.pk, "set_aside": "on"})
    retype(client, visit, reading(180), "0.02")
    found = standing(signed_results(visit.machine))
    assert [one.stage for one in found.values] == ["as_left"]
    assert found.set_aside == 1


def test_bad_input_is_said_where_it_was_typed_and_stores_nothing(job):
    client, visit, _ = job
    row = reading(180)
    result = Result.objects.get(stage="as_found")
    other = factories.visit(factories.machine(visit.machine.line), visit.opened_by)
    stranger = other.sweeps.create(station=other.machine.stations.first(), stage="as_found").readings.create(
        angle_deg=0, value_um=1, typed="1", unit="um", by=visit.opened_by, at=timezone.now()
    )
    for form, sentence in (
        ({"reading": row.pk, "typed": ""}, "What did the dial show?"),
        ({"reading": "", "typed": "0.1"}, "Which reading is meant?"),
        ({"reading": row.pk, "typed": "a bit"}, "is not a number"),
        ({"reading": row.pk, "typed": "17"}, "µm"),
        ({"reading": row.pk, "typed": "0.1", "about": result.pk}, "one at a time"),
        ({"reading": stranger.pk, "typed": "0.1"}, "Select a valid choice"),
        ({"reading": row.pk, "typed": "0.1", "reason": " "}, "This field is required"),
        ({"reading": "9" * 400, "typed": "0.1"}, "Select a valid choice"),
    ):
        answer = client.post(address("amend", visit), {"reason": "why", **form})
        assert answer.status_code == 422, form
        assert sentence in answer.content.decode(), form
    assert not Amendment.objects.exists()
    assert retype(client, visit, row, "5", meant="on").status_code == 302, "asked back once, then taken as meant"


def test_what_was_amended_is_never_changed(job):
    client, visit, _ = job
    retype(client, visit, reading(180), "0.02")
    for rows in (AmendedReading.objects, AmendedResult.objects):
        with pytest.raises(IntegrityError, match="An amendment is never changed"), transaction.atomic():
            rows.update(amendment_id=rows.get().amendment_id)
        with pytest.raises(IntegrityError, match="An amendment is never changed"), transaction.atomic():
            rows.all().delete()
