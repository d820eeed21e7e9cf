"""The administrator's own tables: set-up can be mended there with its history, the log can only be looked at."""

import pytest
from django.urls import reverse

from linelog.alignment.models import Reading, Result, Sweep, Visit
from linelog.plant.models import Line, Plant
from linelog.web import audit
from linelog.web.models import AuditEvent
from tests import factories

pytestmark = pytest.mark.django_db
NOW = factories.NOW


@pytest.fixture
def administrator():
    return factories.person("administrator", is_staff=True, is_superuser=True)


@pytest.fixture
def tables(signed_in, administrator):
    return signed_in(administrator)


def fields_of(answer):
    """Return what the page's form holds, as a browser would send it back."""
    form = answer.context["adminform"].form
    return {name: "" if form[name].value() is None else form[name].value() for name in form.fields}


def test_mending_a_record_writes_its_history_in_its_plant_and_a_new_version(tables, administrator):
    plant = factories.plant()
    url = reverse("admin:plant_plant_change", args=[plant.pk])
    sent = {**fields_of(tables.get(url)), "name": "Another name"}
    answer = tables.post(url, sent)
    assert answer.status_code == 302, answer.context["adminform"].form.errors
    plant.refresh_from_db()
    assert (plant.name, plant.version) == ("Another name", 2)
    event = AuditEvent.objects.get()
    assert (event.actor_id, event.plant_id, event.action) == (administrator.pk, plant.pk, "changed")
    assert event.after["name"] == "Another name"


def test_adding_and_deleting_are_in_the_history_of_the_plant_they_belong_to(tables):
    plant = factories.plant()
    tables.post(reverse("admin:plant_line_add"), {"plant": plant.pk, "name": "Line 9"})
    line = Line.objects.get(name="Line 9")
    tables.post(reverse("admin:plant_line_delete", args=[line.pk]), {"post": "yes"})
    tables.post(reverse("admin:plant_line_add"), {"plant": plant.pk, "name": "Line 10"})
    chosen = {"action": "delete_selected", "_selected_action": [Line.objects.get().pk], "post": "yes"}
    tables.post(reverse("admin:plant_line_changelist"), chosen)
    assert not Line.objects.exists()
    told = AuditEvent.objects.order_by("id").values_list("action", "object_label", "plant_id")
    assert list(told) == [
        ("added", "Line 9", plant.pk),
        ("deleted", "Line 9", plant.pk),
        ("added", "Line 10", plant.pk),
        ("deleted", "Line 10", plant.pk),
    ]


@pytest.fixture
def log():
    """A signed visit with one of each record that must stay as it is."""
    machine = factories.machine()
    station = machine.stations.first()
    visit = factories.visit(machine)
    by = visit.opened_by
    sweep = Sweep.objects.create(visit=visit, station=station, stage="as_found")
    reading = Reading.objects.create(sweep=sweep, angle_deg=0, value_um=10, typed="0.01", unit="mm", by=by, at=NOW)
    numbers = dict.fromkeys(("x_um", "y_um", "radial_um", "u_x_um", "u_y_um", "expanded_um", "severity"), 1.0)
    more = {"readings": 4, "verdict": "in", "limit_um": 13.0, "algorithm": "1", "at": NOW}
    result = Result.objects.create(visit=visit, station=station, stage="as_found", **numbers, **more)
    Visit.objects.filter(pk=visit.pk).update(state="signed", signed_by=by, signed_at=NOW)
    event = audit.record(by=by, action="signed", obj=visit, at=NOW)
    return [visit, sweep, reading, result, event, by]


def test_the_log_the_history_and_people_can_be_looked_at_but_not_touched(tables, log):
    for record in log:
        kind = f"admin:{record._meta.app_label}_{record._meta.model_name}"
        before = audit.snapshot(type(record).objects.get(pk=record.pk))
        page = tables.get(reverse(f"{kind}_change", args=[record.pk]))
        assert page.status_code == 200, record
        assert b'name="_save"' not in page.content
        for url, sent in (
            (reverse(f"{kind}_change", args=[record.pk]), {"note": "x", "typed": "9", "role": "manager"}),
            (reverse(f"{kind}_delete", args=[record.pk]), {"post": "yes"}),
            (reverse(f"{kind}_add"), {}),
        ):
            assert tables.post(url, sent).status_code == 403, url
        chosen = {"action": "delete_selected", "_selected_action": [record.pk], "post": "yes"}
        tables.post(reverse(f"{kind}_changelist"), chosen)
        assert audit.snapshot(type(record).objects.get(pk=record.pk)) == before


def test_hashes_of_passwords_and_pins_are_not_shown(tables):
    person = factories.person("mechanic", pin_hash="the-pin-hash")
    text = tables.get(reverse("admin:plant_person_change", args=[person.pk])).content.decode()
    assert "the-pin-hash" not in text
    assert person.password.rsplit("$", 1)[-1] not in text


def test_the_role_decides_not_a_flag_that_was_left_behind(signed_in):
    manager = factories.person("manager", is_staff=True, is_superuser=True)
    assert signed_in(manager).get("/admin/").status_code == 403


def test_the_password_is_changed_where_the_history_hears_of_it(tables):
    assert tables.get("/admin/password_change/")["Location"] == "/people/me/"


def test_a_plant_that_holds_machines_is_not_deleted(tables):
    plant = factories.machine().line.plant
    answer = tables.post(reverse("admin:plant_plant_delete", args=[plant.pk]), {"post": "yes"})
    assert answer.status_code in {200, 403}
    assert Plant.objects.filter(pk=plant.pk).exists()
