"""Limits that narrow: rules by tooling set, can and set speed, with dates; the narrowest that matches holds."""

import datetime as dt

import pytest
from django.urls import reverse
from django.utils import timezone

from linelog.alignment.models import Result
from linelog.calc.units import Unit
from linelog.plant.captions import rule_words
from linelog.plant.limits import under_rules
from linelog.plant.models import Fitting, LimitRule, Station, ToolingSet, ToolPart
from linelog.trends import summaries
from tests import factories
from tests.alignment.helpers import OUT_HIGH, address, type_round
from tests.trends import invented

pytestmark = pytest.mark.django_db
NOW = timezone.now().replace(microsecond=0)
TODAY = NOW.date()


@pytest.fixture
def machine():
    return factories.machine(speed_spm=320.0)


@pytest.fixture
def domer(machine):
    return machine.stations.get(kind="domer")


def rule(machine, limit_um, **more):
    return LimitRule.objects.create(
        plant=machine.line.plant, kind="domer", limit_um=limit_um, **{"from_on": TODAY - dt.timedelta(days=5), **more}
    )


def held(machine, domer, on=TODAY):
    return under_rules([domer], machine.line.plant, NOW, on)[0]


def tools(machine, wall_um=100.0):
    """A punch and a die whose gap leaves this wall: (bore - punch) / 2."""
    made = ToolingSet.objects.create(plant=machine.line.plant, name="S1")
    ToolPart.objects.create(tooling_set=made, kind="punch", diameter_mm=66.0)
    bore = 66.0 + 2 * wall_um / 1000
    ToolPart.objects.create(tooling_set=made, kind="ironing_die_1", diameter_mm=bore)
    Fitting.objects.create(tooling_set=made, machine=machine, fitted_at=NOW - dt.timedelta(days=1))
    return made


def test_the_narrowest_of_the_matching_rules_holds_and_none_wider_than_the_stations_own(machine, domer):
    assert held(machine, domer).limit_rule is None
    rule(machine, 30.0)
    rule(machine, 25.0)
    rule(machine, 500.0)
    one = held(machine, domer)
    assert (one.limit_um, one.limit_rule["own_limit_um"]) == (25.0, 38.0)
    domer.refresh_from_db()
    assert domer.limit_um == 38.0  # the station itself is as it was


@pytest.mark.parametrize(
    ("conditions", "matches"),
    [
        ({"speed_from_spm": 320.0}, True),
        ({"speed_from_spm": 321.0}, False),
        ({"wall_to_um": 100.5}, True),
        ({"wall_to_um": 99.0}, False),
        ({"height_from_mm": 100.0}, False),  # the cup's height is not on record, so that of the can is not known
        ({"from_on": TODAY + dt.timedelta(days=1)}, False),
        ({"until_on": TODAY}, True),
        ({"until_on": TODAY - dt.timedelta(days=1)}, False),
        ({"kind": "stripper"}, False),
    ],
)
def test_each_condition_must_be_met(machine, domer, conditions, matches):
    tools(machine)
    made = rule(machine, 20.0)
    LimitRule.objects.filter(pk=made.pk).update(**conditions)
    assert (held(machine, domer).limit_um == 20.0) == matches


def test_a_rule_for_a_set_or_a_machine_is_for_no_other(machine, domer):
    mine = tools(machine)
    other = ToolingSet.objects.create(plant=machine.line.plant, name="S2")
    rule(machine, 20.0, tooling_set=other)
    assert held(machine, domer).limit_um == 38.0
    rule(machine, 22.0, tooling_set=mine)
    assert held(machine, domer).limit_um == 22.0
    LimitRule.objects.filter(pk=rule(machine, 15.0).pk).update(machine=factories.machine(machine.line))
    assert held(machine, domer).limit_um == 22.0


def test_a_result_keeps_the_limit_that_held_and_its_rule_and_the_page_says_which(signed_in, machine, domer):
    """Offset 61 um: TRADE 4's four readings. Under 38 um it is out by 1.6, under the rule's 25 um by 2.4."""
    mechanic = factories.person("mechanic", machine.line.plant)
    visit, client = factories.visit(machine, mechanic, opened_at=NOW), signed_in(mechanic)
    made = rule(machine, 25.0, speed_from_spm=300.0)
    answer = type_round(client, visit, domer, OUT_HIGH).content.decode()
    row = Result.objects.get()
    assert row.limit_um == 25.0
    assert row.severity == pytest.approx(row.radial_um / 25.0)
    assert (row.limit_rule["rule"], row.limit_rule["speed_from_spm"]) == (made.pk, 300.0)
    assert "from 300 strokes a minute" in answer
    assert "its own limit is 0.038" in answer
    made.delete()
    row.refresh_from_db()
    assert "300 strokes" in rule_words(row.limit_rule, Unit.MM)
    assert rule_words(None, Unit.MM) == ""
    assert client.get(address("visit", visit)).status_code == 200


def test_a_new_rule_is_no_jump_in_what_rates_are_held_against(machine, domer):
    """The same 30 um before and after a rule that halves the limit: one reference limit, one severity."""
    manager = factories.person("manager", machine.line.plant)
    rows = []
    for ago, limit in ((60, 38.0), (40, 38.0), (20, 19.0), (5, 19.0)):
        visit = invented.signed_visit(machine, manager, NOW - dt.timedelta(days=ago))
        for stage in ("as_found", "as_left"):
            rows.append(invented.result(visit, domer, stage, (0.0, 30.0), limit_um=limit, severity=30.0 / limit))
    invented.store(rows)
    invented.counts(machine, 70, until=TODAY)
    (place,) = summaries.read(machine).places
    assert {value.severity for value in place.found} == {30.0 / 38.0}
    made = summaries.work_out(machine)
    assert {round(piece.severity, 3) for piece in made.pieces if piece.severity is not None} == {round(30 / 38, 3)}


def test_rules_are_set_up_by_the_manager_with_history_and_refused_where_they_cannot_be(signed_in, machine):
    manager = factories.person("manager", machine.line.plant)
    client, plant = signed_in(manager), machine.line.plant
    url = reverse("plant:add_limit_rule", args=[plant.pk])
    sent = {"kind": "domer", "limit_um": "0.02", "limit_um_is": "offset", "from_on": str(TODAY)}
    late = client.post(url, sent | {"until_on": str(TODAY - dt.timedelta(days=1))})
    assert late.status_code == 422
    assert "ends before it begins" in late.content.decode()
    assert client.post(url, sent | {"speed_from_spm": "330"}).status_code == 302
    made = LimitRule.objects.get()
    assert (made.limit_um, made.speed_from_spm) == (20.0, 330.0)
    page = client.get(reverse("plant:plant", args=[plant.pk])).content.decode()
    assert "from 330 strokes a minute" in page
    own = reverse("plant:limit_rule", args=[made.pk])
    assert client.get(own).status_code == 200
    assert client.post(own, {"remove": "1", "version": made.version}).status_code == 302
    assert not LimitRule.objects.exists()
    assert Station.objects.filter(machine=machine).exists()
