"""The ironing schedule on a set's page: from the parts as stored, the plant's limits, and tools tried."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from linelog.plant.forms.site import PlantForm
from linelog.plant.ironing import schedule_of
from linelog.plant.models import Plant, ToolingSet, ToolPart
from linelog.web.models import AuditEvent
from tests import factories
from tests.plant.setting_up import at, manager_of, said

pytestmark = pytest.mark.django_db


@pytest.fixture
def plant():
    return factories.plant(cup_wall_um=300.0, cup_height_mm=100.0, top_wall_mm=0.0)


@pytest.fixture
def client(signed_in, plant):
    return signed_in(manager_of(plant))


def parts_of(tools, bores, punch=66.0, **more):
    ToolPart.objects.create(tooling_set=tools, kind="punch", diameter_mm=punch, **more)
    for number, bore in enumerate(bores, start=1):
        ToolPart.objects.create(tooling_set=tools, kind=f"ironing_die_{number}", diameter_mm=bore)


@pytest.fixture
def tools(plant):
    """Derived: 20, 25 and 30 % off 0.3 mm leave 0.24, 0.18 and 0.126 mm, 58 % in all."""
    made = ToolingSet.objects.create(plant=plant, name="Set 5")
    parts_of(made, [66.0 + 2 * wall for wall in (0.24, 0.18, 0.126)])
    return made


def page(client, tools, **tried):
    return client.get(at("tooling_set", tools.pk), tried)


def tried(**more):
    return {"try": 1, "punch_mm": "66", "bore_1": "66.48", "bore_2": "66.36", "bore_3": "66.252", **more}


def test_gaps_reductions_walls_and_height_stand_on_the_sets_page(client, tools):
    """Height by constant volume, worked by hand: 100 mm x (66.3 x 0.3) / (66.126 x 0.126) = 238.7 mm."""
    text = said(page(client, tools))
    for shown in ("20.0 %", "25.0 %", "30.0 %", "0.2400", "0.1800", "0.1260", "238.7 mm"):
        assert shown in text
    assert "common practice without a source" in text
    assert "The limit is" not in text


def test_a_step_above_the_plants_limit_is_said_in_a_sentence(client, plant, tools):
    Plant.objects.filter(pk=plant.pk).update(ironing_limit_2_percent=24.0)
    text = said(page(client, tools))
    assert "Ironing die 2 takes 25.0% by thickness at mid wall; the limit is 24.0%." in text
    assert '<span class="state out">above</span>' in text


def test_limits_may_be_meant_by_ring_area(client, plant, tools):
    """The same set: by ring area die 3 takes a little more than 30 %, since the ring shrinks as well."""
    Plant.objects.filter(pk=plant.pk).update(ironing_limit_3_percent=30.03, ironing_limits_by="area")
    assert "Ironing die 3 takes 30.1% by ring area" in said(page(client, tools))
    Plant.objects.filter(pk=plant.pk).update(ironing_limits_by="thickness")
    assert "takes 30" not in said(page(client, tools))


def test_worn_tools_are_named_with_what_they_do_to_the_wall(client, tools):
    tools.parts.filter(kind="ironing_die_3").update(diameter_new_mm=66.240)
    tools.parts.filter(kind="punch").update(diameter_new_mm=66.004)
    text = said(page(client, tools))
    assert "Ironing die 3 was 66.2400 mm new and is 66.2520 mm: +0.0120\u202fmm on diameter" in text
    assert "which makes its gap +0.0060\u202fmm" in text
    assert "Punch was 66.0040 mm new and is 66.0000 mm" in text
    assert "Mid wall: 0.1180 to 0.1260 mm, 0.0080\u202fmm thicker." in text


@pytest.mark.parametrize(
    ("parts", "sentence"),
    [
        ([], "needs a punch"),
        ([{"kind": "punch", "diameter_mm": 66.0}], "at least one ironing die"),
        ([{"kind": "punch", "diameter_mm": 66.0}, {"kind": "ironing_die_2", "diameter_mm": 66.4}], "1 is missing"),
        ([{"kind": "punch", "diameter_mm": 66.0}, {"kind": "ironing_die_1"}], "has no bore stored"),
        ([{"kind": "punch", "diameter_mm": 66.0}, {"kind": "punch", "diameter_mm": 66.0}], "2 parts named Punch"),
        (
            [{"kind": "punch", "diameter_mm": 66.0}, {"kind": "ironing_die_1", "diameter_mm": 65.0}],
            "must be larger than the punch",
        ),
    ],
)
def test_a_set_that_makes_no_schedule_says_why(client, plant, parts, sentence):
    tools = ToolingSet.objects.create(plant=plant, name="Set 6")
    for part in parts:
        ToolPart.objects.create(tooling_set=tools, **part)
    answer = page(client, tools)
    assert answer.status_code == 200
    assert sentence in said(answer)
    assert "What a regrind would do" not in said(answer)


def test_a_regrind_is_tried_beside_the_present_tools_and_nothing_is_stored(client, tools):
    """A last die 0.02 mm larger: the wall 0.010 mm thicker, the can shorter by the same metal."""
    before = list(tools.parts.values_list("diameter_mm", flat=True))
    whole = page(client, tools, **tried(bore_3="66.272", cup_wall_um="0.3"))
    part = client.get(
        at("tooling_set", tools.pk),
        tried(bore_3="66.272", cup_wall_um="0.3"),
        headers={"hx-request": "true"},
    )
    for answer in (whole, part):
        text = said(answer)
        assert answer.status_code == 200
        assert "Mid wall: 0.1260 to 0.1360 mm, 0.0100\u202fmm thicker." in text
        assert "17.6 mm shorter before trimming" in text
        assert "With the tools tried" in text
    assert "<html" in said(whole)
    assert "<html" not in said(part)
    assert list(tools.parts.values_list("diameter_mm", flat=True)) == before
    assert not AuditEvent.objects.exists()


def test_a_new_die_is_told_from_a_regrind(client, tools):
    text = said(page(client, tools, **tried(punch_mm="66.01", bore_1="66.4", cup_wall_um="0.3")))
    assert "The punch tried is larger" in text
    assert "Ironing die 1 tried is smaller than now" in text


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"bore_3": "65"}, "must be larger than the punch"),
        ({"bore_1": "nan"}, "is not a number"),
        ({"bore_2": ""}, "This field is required"),
        ({"punch_mm": "2.6"}, "is it in inches?"),
        ({"punch_mm": "1e9"}, "not a number"),
        ({"punch_mm": "9" * 9}, "between 1 and 500 mm"),
        ({"cup_wall_um": "300"}, "check the number and its unit"),
        ({"cup_wall_um": "0"}, "above zero"),
    ],
)
def test_tools_that_cannot_be_are_refused_beside_their_field(client, tools, wrong, sentence):
    answer = page(client, tools, **tried(**{"cup_wall_um": "0.3", **wrong}))
    assert answer.status_code == 422
    assert sentence in said(answer)


def test_a_set_may_work_on_a_cup_of_its_own(client, plant, tools):
    sent = {"name": "Set 5", "version": 1, "cup_wall_um": "0.280", "cup_height_mm": "90", "top_wall_mm": "18"}
    sent |= {"parts-TOTAL_FORMS": 0, "parts-INITIAL_FORMS": 0}
    assert client.post(at("set_edit", tools.pk), sent).status_code == 302
    tools.refresh_from_db()
    assert (tools.cup_wall_um, tools.cup_height_mm, tools.top_wall_mm) == (280.0, 90.0, 18.0)
    found = schedule_of(tools, plant, list(tools.parts.all()))
    assert found.made.mid[0].wall_in_um == 280.0
    refused = client.post(at("set_edit", tools.pk), {**sent, "version": 2, "cup_wall_um": "-1"})
    assert refused.status_code == 422


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"wall_look_um": "0.001"}, "cannot lie below the good one"),
        ({"wall_act_um": "0.0099"}, "cannot lie below the one to look at"),
        ({"ironing_limit_1_percent": "120"}, "between 0.1 and 99.9"),
        ({"wall_step_um": "0"}, "above zero"),
    ],
)
def test_levels_and_limits_that_cannot_be_are_refused(client, plant, wrong, sentence):
    start = _settings(plant)
    good = client.post(at("settings", plant.pk), start)
    assert good.status_code == 302, said(good)
    answer = client.post(at("settings", plant.pk), {**start, "version": 2, **wrong})
    assert answer.status_code == 422
    assert sentence in said(answer)


def _settings(plant):
    form = PlantForm(row=plant, by=manager_of(plant))
    return {name: form[name].value() for name in form.fields if form[name].value() not in (None, False)}


def test_the_page_asks_the_database_no_more_for_many_parts(client, plant, tools):
    def asked():
        with CaptureQueriesContext(connection) as seen:
            assert page(client, tools).status_code == 200
        return len(seen)

    page(client, tools)
    few = asked()
    for number in range(24):
        ToolPart.objects.create(tooling_set=tools, kind="pilot", serial=f"L{number}")
    assert asked() == few
