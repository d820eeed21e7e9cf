"""What a tablet knows to open a visit without a network, and what comes of one that is sent later."""

import datetime as dt
import json
import re

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from linelog.alignment.models import Lockout, Visit
from linelog.alignment.unconnected import machines_to_visit, told
from linelog.calc.units import Unit
from tests import factories
from tests.alignment.helpers import CENTRED, HTMX, address, type_round

pytestmark = pytest.mark.django_db

OPEN = {"reason": "jam", "machine_state": "stopped"}
SET_UP = {
    "positions": "8",
    "touches": "ram-bore",
    "view": "domer",
    "resolution": "0.01",
    "sag": "0.006",
    "version": "0",
}


@pytest.fixture
def machine():
    return factories.machine(mark="17")


@pytest.fixture
def mechanic(machine, client):
    who = factories.person("mechanic", machine.line.plant)
    client.force_login(who)
    return who


def known(who):
    return told(machines_to_visit(who), Unit.MM, {})


def test_each_place_starts_as_its_page_would_start_it(machine, mechanic, client):
    domer = machine.stations.get(kind="domer")
    before = factories.visit(machine, mechanic, opened_at=timezone.now())
    assert client.post(address("sweep", before, domer), SET_UP, headers=HTMX).status_code == 200
    type_round(client, before, domer, CENTRED)
    dropped = factories.visit(machine, mechanic, opened_at=timezone.now())
    client.post(address("sweep", dropped, domer), {**SET_UP, "view": "crank"}, headers=HTMX)
    Visit.objects.filter(pk=dropped.pk).update(state="dropped", dropped_why="the wrong machine")
    [one] = known(mechanic)
    now = factories.visit(machine, mechanic, opened_at=timezone.now())
    for station in one["stations"]:
        for place in station["places"]:
            where = {"stage": "as_found", "kind": place["kind"]} | ({"seat": place["seat"]} if place["seat"] else {})
            url = reverse("alignment:station", args=[now.pk, station["id"]])
            page = client.get(url, where).content.decode()
            assert place["words"].replace("\u202f", " ") in page.replace("\u202f", " ").replace("&#x27;", "'")
            assert place["origin"] in page
            form = re.search(r'set-up confirmed">(.*?)</form>', page, re.S)
            if form:
                shown = dict(re.findall(r'name="(\w+)" value="([^"]*)"', form[1]))
                left_out = {"csrfmiddlewaretoken", "made_for", "version"}
                assert place["form"] == {name: value for name, value in shown.items() if name not in left_out}
            on_page = re.search(r'data-on-tablet="([^"]*)"', page)
            if place["kind"] == "rim" and on_page:
                theirs = json.loads(on_page[1].replace("&quot;", '"'))
                assert place["tablet"] == {**theirs, "limit": None, "target": None}  # what the server alone knows
    assert next(s for s in one["stations"] if s["id"] == domer.pk)["places"][0]["view"] == "domer"


def forms_of(page, kind):
    """The fields of each form of a kind, with what they may hold, but for what is of the visit."""
    left_out = {"csrfmiddlewaretoken", "made_for", "adjuster"}
    found = []
    for form in re.findall(rf'<form[^>]*data-queued="{kind}".*?</form>', page, re.S):
        names = [name for name in re.findall(r'name="(\w+)"', form) if name not in left_out]
        found.append((names, re.findall(r'<option value="([^"]*)"', form)))
    return found


def test_moves_running_values_and_bushings_have_the_forms_of_the_entry_screen(machine, mechanic, client):
    """A mover of each kind of adjuster, and for each way a screw's thread may go."""
    domer, pack, sleeve, front = (
        machine.stations.get(kind=kind) for kind in ("domer", "tool_pack", "redraw_sleeve", "front_bushing")
    )
    backward = domer.adjusters.filter(kind="screw").first()
    type(backward).objects.filter(pk=backward.pk).update(clockwise_is_positive=False)
    visit = factories.visit(machine, mechanic, opened_at=timezone.now())
    theirs = {
        station: client.get(address("station", visit, station)).content.decode()
        for station in (domer, pack, sleeve, front)
    }
    page = client.get(reverse("alignment:unconnected")).content.decode()
    [one] = known(mechanic)
    told_of = {station["id"]: station for station in one["stations"]}
    patterns = dict(re.findall(r'<template data-mover="([\w-]+)">(.*?)</template>', page, re.S))
    for station in (domer, pack, sleeve):
        movers = forms_of(theirs[station], "move")
        assert movers[-1] in forms_of(page, "move"), "in words"
        for row, form in zip(told_of[station.pk]["adjusters"], movers, strict=False):
            assert forms_of(patterns[row["mover"]], "move") == [form]
    assert told_of[domer.pk]["adjusters"][0]["mover"] == "screw-out"
    assert {row["mover"] for station in told_of.values() for row in station["adjusters"]} == set(patterns)
    for kind in ("clearance", "position", "fitted"):
        assert forms_of(page, kind) == forms_of(theirs[front], kind)
    running = dict(re.findall(r'<template data-running="(\w+)">(.*?)</template>', page, re.S))
    for view, form in running.items():
        assert forms_of(form, "running") == forms_of(theirs[domer], "running")
        assert f"Across, + right, seen from the {view} (mm)" in form
        assert f'name="view" value="{view}"' in form
    assert told_of[front.pk]["wear"].replace("\u202f", " ") == "0.080 mm"
    sent_to = re.findall(r'action="([^"]*)"[^>]*data-queued="(?:move|running)"', page)
    assert set(sent_to) == {"moves", "running"}, "each goes to the address of that name in its visit"
    assert "guards closed" in running["crank"]
    assert "people clear of ram and punch" in page


def test_it_asks_the_database_as_often_for_five_machines_as_for_one(machine, mechanic):
    with CaptureQueriesContext(
        connection,
    ) as few:
        assert len(known(mechanic)) == 1
    for _ in range(4):
        factories.machine(machine.line)
    with CaptureQueriesContext(connection) as many:
        assert len(known(mechanic)) == 5
    assert len(many) == len(few)


def test_another_plants_machines_are_not_known(mechanic, client):
    other = factories.machine(factories.line(factories.plant()), name="Elsewhere 9")
    page = client.get(reverse("alignment:unconnected"))
    assert other.name not in page.content.decode()
    assert page["X-Keep"] == str(mechanic.pk)


def send(client, machine, key="k" * 32, age=0, **more):
    headers = {**HTMX, "X-Write-Key": key, "X-Age": str(age)}
    return client.post(reverse("alignment:open", args=[machine.pk]), {**OPEN, **more}, headers=headers)


def test_sent_later_it_is_of_the_time_it_was_opened_and_sent_twice_it_is_one(machine, mechanic, client):
    said = {"lockout_verified_by": "Ana Berg", "lockout_tried": "on"}
    answers = [send(client, machine, age=3600, **said) for _ in range(2)]
    visit = Visit.objects.get()
    assert [answer["X-Visit"] for answer in answers] == [str(visit.pk)] * 2
    assert timezone.now() - visit.opened_at > dt.timedelta(minutes=59)
    assert abs(Lockout.objects.get().verified_at - visit.opened_at) < dt.timedelta(seconds=1)


def test_where_one_is_open_already_it_is_asked_which_then_joined(machine, mechanic, client):
    other = factories.visit(machine, factories.person("mechanic", machine.line.plant))
    asked = send(client, machine)
    assert (asked.status_code, asked["X-Version"]) == (409, str(other.pk))
    assert 'id="opened"' in asked.content.decode()
    assert "data-theirs" in asked.content.decode()
    joined = send(client, machine, key="l" * 32, version=str(other.pk))
    assert joined["X-Visit"] == str(other.pk)
    assert Visit.objects.get() == other
    third = factories.machine(machine.line)
    assert "X-Visit" in send(client, third, key="m" * 32, version=str(other.pk))
    assert Visit.objects.filter(machine=third).exists(), "no visit is open there: a new one"


def test_what_is_refused_is_said_in_the_form(machine, mechanic, client):
    answer = send(client, machine, machine_state="running", lockout_verified_by="Ana Berg", lockout_tried="on")
    assert answer.status_code == 422
    assert "A machine that runs is not locked out" in answer.content.decode()
    assert not Visit.objects.exists()
