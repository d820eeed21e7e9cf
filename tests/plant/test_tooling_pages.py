"""Tooling sets: parts on one page, and one set on a machine at a time, through the program's own addresses."""

import datetime as dt

import pytest
from django.utils import timezone

from linelog.plant.models import Fitting, ToolingSet, ToolPart
from linelog.web.models import AuditEvent
from tests import factories
from tests.plant.setting_up import at, manager_of, said

pytestmark = pytest.mark.django_db
BERLIN_MAY = "2026-05-04T08:00"  # 06:00 UTC: the factories' plant keeps Berlin time


@pytest.fixture
def machine():
    return factories.machine(name="BM 03")


@pytest.fixture
def plant(machine):
    return machine.line.plant


@pytest.fixture
def client(signed_in, plant):
    return signed_in(manager_of(plant))


@pytest.fixture
def tools(plant):
    made = ToolingSet.objects.create(plant=plant, name="Set 5")
    ToolPart.objects.create(tooling_set=made, kind="punch", serial="P1", diameter_mm=66.03, cans_run=100)
    return made


@pytest.fixture
def spare(plant):
    return ToolingSet.objects.create(plant=plant, name="Set 6")


def rows(*parts, initial=0):
    sent = {"parts-TOTAL_FORMS": len(parts), "parts-INITIAL_FORMS": initial}
    for number, part in enumerate(parts):
        sent.update({f"parts-{number}-{name}": value for name, value in part.items()})
    return sent


def fit(client, tools, machine, when=BERLIN_MAY, reason=""):
    sent = {"machine": machine.pk, "fitted_at": when, "reason_out": reason}
    return client.post(at("fit", tools.pk), sent)


def test_a_set_is_added_with_its_parts_on_one_page(client, plant):
    parts = rows({"kind": "punch", "serial": "P9", "diameter_mm": "66,03", "runout_um": "0.004"}, {"kind": ""})
    response = client.post(at("add_set", plant.pk), {"name": "Set 7", **parts})
    made = ToolingSet.objects.get(name="Set 7")
    assert response.url == at("tooling_set", made.pk)
    part = made.parts.get()
    assert (part.serial, part.diameter_mm, part.runout_um, part.regrinds) == ("P9", 66.03, 4.0, 0)
    assert AuditEvent.objects.filter(object_type="toolpart", action="added", plant_id=plant.pk).exists()
    assert "P9" in said(client.get(at("tooling_set", made.pk)))


def test_parts_are_changed_added_and_taken_out_together(client, tools):
    punch = tools.parts.get()
    ring = ToolPart.objects.create(tooling_set=tools, kind="stripper")
    parts = rows(
        {"part_id": punch.pk, "kind": "punch", "serial": "P1", "diameter_mm": "66.02", "regrinds": "1"},
        {"part_id": ring.pk, "kind": "stripper", "DELETE": "on"},
        {"kind": "ironing_die_1", "diameter_mm": "66.4"},
        initial=2,
    )
    sent = {"name": "Set 5", "version": 1, **parts}
    assert client.post(at("set_edit", tools.pk), sent).status_code == 302
    assert list(tools.parts.values_list("kind", "diameter_mm")) == [("ironing_die_1", 66.4), ("punch", 66.02)]
    assert AuditEvent.objects.get(object_type="toolpart", action="changed").before["diameter_mm"] == 66.03
    again = client.post(at("set_edit", tools.pk), sent)
    assert again.status_code == 409
    assert tools.parts.count() == 2


@pytest.mark.parametrize(
    ("part", "sentence"),
    [
        ({"serial": "X"}, "Which part is this?"),
        ({"kind": "punch", "diameter_mm": "0"}, "between 1 and 500 mm"),
        ({"kind": "punch", "diameter_mm": "2.6"}, "is it in inches?"),
        ({"kind": "punch", "runout_um": "-0.001"}, "can't be negative"),
        ({"kind": "pilot", "top_wall_diameter_mm": "66"}, "Only a punch"),
        ({"kind": "punch", "cans_run": "1e9"}, "whole number"),
        ({"kind": "anvil"}, "valid choice"),
        ({"kind": "punch", "land_mm": "nan"}, "not a number"),
        ({"part_id": "999999", "kind": "punch"}, "not of this set"),
    ],
)
def test_a_part_that_cannot_be_is_refused_and_nothing_is_stored(client, plant, part, sentence):
    response = client.post(at("add_set", plant.pk), {"name": "Set 7", **rows(part)})
    assert response.status_code == 422
    assert sentence in said(response)
    assert not ToolingSet.objects.filter(name="Set 7").exists()


def test_the_part_of_another_set_is_not_taken_over(client, tools, spare):
    stolen = {"part_id": tools.parts.get().pk, "kind": "punch", "DELETE": "on"}
    response = client.post(at("set_edit", spare.pk), {"name": "Set 6", "version": 1, **rows(stolen, initial=1)})
    assert (response.status_code, tools.parts.count()) == (422, 1)


def test_one_more_part_works_as_a_plain_post_and_as_a_fragment(client, plant):
    sent = {"name": "Set 7", "add_row": "1", **rows({"kind": "punch", "serial": "kept"})}
    page = client.post(at("add_set", plant.pk), sent)
    fragment = client.post(at("add_set", plant.pk), sent, headers={"hx-request": "true"})
    for response in (page, fragment):
        assert response.status_code == 200
        assert 'name="parts-TOTAL_FORMS" value="2"' in said(response)
        assert "kept" in said(response)
    assert "<html" in said(page)
    assert "<html" not in said(fragment)
    assert not ToolingSet.objects.exists()


@pytest.mark.parametrize("total", ["", "x", "-3", "100000", "9" * 30])
def test_a_broken_list_of_parts_is_refused(client, plant, total):
    response = client.post(at("add_set", plant.pk), {"name": "S", "parts-TOTAL_FORMS": total})
    assert response.status_code == 422


def test_a_set_is_fitted_in_the_plants_time_and_taken_off_with_a_reason(client, tools, machine):
    assert fit(client, tools, machine).status_code == 302
    fitting = Fitting.objects.get()
    assert fitting.fitted_at == dt.datetime(2026, 5, 4, 6, 0, tzinfo=dt.UTC)
    page = said(client.get(at("tooling_set", tools.pk)))
    assert "Take it off" in page
    assert "2026-05-04 08:00" in page
    off = {"removed_at": "2026-05-09T08:00", "reason_out": "Regrind", "version": 1}
    assert client.post(at("take_off", fitting.pk), {**off, "reason_out": ""}).status_code == 422
    assert client.post(at("take_off", fitting.pk), {**off, "version": 9}).status_code == 409
    assert client.post(at("take_off", fitting.pk), off).status_code == 302
    fitting.refresh_from_db()
    assert fitting.reason_out == "Regrind"
    assert "Regrind" in said(client.get(at("tooling_set", tools.pk)))


def test_a_second_set_asks_why_the_first_comes_off_and_removes_it_in_the_same_step(client, tools, spare, machine):
    fit(client, tools, machine)
    refused = fit(client, spare, machine, "2026-05-10T08:00")
    assert (refused.status_code, "say why it comes off" in said(refused)) == (422, True)
    assert Fitting.objects.count() == 1
    assert fit(client, spare, machine, "2026-05-10T08:00", "Worn die 3").status_code == 302
    first, second = Fitting.objects.order_by("fitted_at")
    assert (first.removed_at, first.reason_out) == (second.fitted_at, "Worn die 3")
    assert second.removed_at is None


@pytest.mark.parametrize(
    ("when", "sentence"),
    [
        ("2026-05-04T07:00", "this must be later"),
        ("2999-01-01T00:00", "between 2000"),
        ("2026-02-30T00:00", "date and time of the calendar"),
        ("2026-03-29T02:30", "Europe/Berlin"),  # this hour does not exist where clocks go forward
        ("0001-01-01T00:00", "between 2000"),
        ("soon", "date and time of the calendar"),
    ],
)
def test_a_time_that_cannot_be_is_refused(client, tools, spare, machine, when, sentence):
    fit(client, tools, machine)
    response = fit(client, spare, machine, when, "Worn")
    assert response.status_code == 422
    assert sentence in said(response)
    assert Fitting.objects.count() == 1


def test_a_set_is_not_fitted_in_the_future_nor_on_two_machines_nor_before_an_earlier_end(client, tools, machine):
    ahead = (timezone.localtime() + dt.timedelta(days=2)).strftime("%Y-%m-%dT%H:%M")
    assert "has not come yet" in said(fit(client, tools, machine, ahead))
    fit(client, tools, machine)
    other = factories.machine(machine.line)
    twice = fit(client, tools, other, "2026-05-10T08:00")
    assert (twice.status_code, "is on BM 03 since" in said(twice)) == (422, True)
    off = {"removed_at": "2026-05-20T08:00", "reason_out": "Regrind", "version": 1}
    client.post(at("take_off", Fitting.objects.get().pk), off)
    early = fit(client, tools, other, "2026-05-15T08:00")
    assert (early.status_code, "fit this one no earlier" in said(early)) == (422, True)


def test_a_set_is_retired_only_off_the_machine_and_then_not_fitted(client, tools, machine):
    fit(client, tools, machine)
    sent = {"name": "Set 5", "retired_on": "2026-06-01", "version": 1, **rows()}
    on = client.post(at("set_edit", tools.pk), sent)
    assert (on.status_code, "remove it there first" in said(on)) == (422, True)
    Fitting.objects.all().delete()
    assert client.post(at("set_edit", tools.pk), sent).status_code == 302
    refused = fit(client, tools, machine)
    assert (refused.status_code, "is retired" in said(refused)) == (422, True)


def test_a_machine_of_another_plant_cannot_be_chosen(client, tools):
    response = fit(client, tools, factories.machine())
    assert (response.status_code, Fitting.objects.count()) == (422, 0)
