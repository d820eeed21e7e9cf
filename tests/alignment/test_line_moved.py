"""A bushing that moves takes the ram's line with it: what was swept before is of a line that is no more.

Common practice, no source: the offset is the component's centre less the ram's line, so a line that moves changes
every one of them.
"""

import html
import re

import pytest
from django.urls import reverse
from django.utils import timezone

from linelog.alignment import visit_sheet
from linelog.alignment.models import MoveMade, Result
from linelog.alignment.results.now import machine_statuses
from linelog.calc.station_state import State
from linelog.calc.units import Unit
from tests import factories
from tests.alignment.helpers import CENTRED, HTMX, OUT_HIGH, address, type_one, type_round

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("no_ram")]

BEFORE = {kind: f"Swept before the {kind} bushing moved: sweep it again." for kind in ("front", "rear")}
AS_LEFT = "The front bushing was moved, and the ram's line with it: sweep it as left."


@pytest.fixture
def job(no_ram, signed_in):
    """A domer moved and swept as left, and a stripper that was swept as found and not touched."""
    machine = factories.machine()
    mechanic = factories.person("mechanic", machine.line.plant)
    client, (domer, stripper) = signed_in(mechanic), (machine.stations.get(kind=k) for k in ("domer", "stripper"))
    visit = factories.visit(machine, mechanic, opened_at=timezone.now())
    type_round(client, visit, domer, OUT_HIGH)
    move(client, visit, domer)
    type_round(client, visit, domer, CENTRED, stage="as_left")
    type_round(client, visit, stripper, CENTRED)
    client.post(address("untouched", visit, stripper), {"not_touched": "1"}, headers=HTMX)
    return client, visit, domer, stripper


def move(client, visit, station):
    answer = client.post(address("move", visit, station), {"words": "one shim"}, headers=HTMX)
    assert answer.status_code == 200
    return text_of(answer)


def bushing(visit, which="front"):
    return visit.machine.stations.get(kind=f"{which}_bushing")


def text_of(answer):
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]*>", " ", answer.content.decode())))


def state(visit, station):
    return next(one for one in machine_statuses(visit.machine, timezone.now()) if one.station == station).state


@pytest.mark.parametrize("which", ["front", "rear"])
def test_the_answer_to_a_bushings_move_names_the_stations_to_sweep_again(job, which):
    client, visit, domer, stripper = job
    front = bushing(visit, which)
    answer = client.post(address("move", visit, front), {"words": "one shim"}, headers=HTMX)
    said = text_of(answer)
    assert f"{front} moved, and the ram's line with it. Sweep again as left what was swept before that:" in said
    for station in (domer, stripper):
        assert address("station", visit, station, stage="as_left") in html.unescape(answer.content.decode())
    page = text_of(client.get(address("visit", visit)))
    assert BEFORE[which] in page
    assert AS_LEFT.replace("front", which) in page
    assert page.count("to sweep") == 2


def test_each_stations_own_page_says_so_and_offers_no_move_on_the_old_line(job):
    client, visit, domer, stripper = job
    move(client, visit, bushing(visit))
    left = text_of(client.get(address("station", visit, domer, stage="as_left")))
    assert BEFORE["front"] in left
    assert "Sweep it anew as left" in left
    for station in (domer, stripper):
        found = client.get(address("station", visit, station)).content.decode()
        assert AS_LEFT in html.unescape(found)
        assert "Done as offered" not in found


def test_swept_again_it_counts_alone_and_nothing_is_open(job):
    client, visit, domer, _ = job
    front = bushing(visit)
    move(client, visit, front)
    type_round(client, visit, domer, OUT_HIGH, stage="as_left", repeat=2)
    # OUT_HIGH is dx = 10, dy = 60 um: averaged with the centred sweep of before it would be half of it.
    assert Result.objects.get(stage="as_left", station=domer).y_um == pytest.approx(60.0)
    assert BEFORE["front"] not in text_of(client.get(address("visit", visit)))
    (told,) = [
        one for one in visit_sheet.content(visit, Unit.MM, timezone.now())["stations"] if one["name"] == str(domer)
    ]
    assert "Repeat 1 is from before the last move" in told["sweeps"][-1]["set_up"]
    last = MoveMade.objects.get(station=front)
    back = reverse("alignment:move_back", args=[visit.pk, front.pk, last.pk])
    assert client.post(back, headers=HTMX).status_code == 200
    assert Result.objects.get(stage="as_left", station=domer).y_um == pytest.approx(30.0), "both count again"


def test_signing_asks_for_the_untouched_and_says_what_of_the_swept(job):
    client, visit, _, stripper = job
    move(client, visit, bushing(visit))
    page = text_of(client.get(reverse("alignment:sign", args=[visit.pk])))
    first, _, known = page.partition("Signed as it is")
    assert f"{stripper} A bushing was moved or renewed, and the ram's line with it: sweep it as left." in first
    assert "A bushing's move was logged after its sweep as left." in known


def test_the_record_calls_no_station_in_that_was_swept_on_the_old_line(job):
    client, visit, domer, stripper = job
    mechanic = visit.opened_by
    type_round(client, visit, stripper, CENTRED, stage="as_left")
    move(client, visit, bushing(visit))
    type_round(client, visit, stripper, CENTRED, stage="as_left", repeat=2)
    visit.state, visit.signed_by, visit.signed_at = "signed", mechanic, timezone.now()
    visit.save()
    assert state(visit, domer) is State.NOT_ALL
    assert state(visit, stripper) is State.IN


def test_an_as_found_reading_typed_after_it_is_asked_about(job):
    client, visit, _, _ = job
    locator = visit.machine.stations.get(kind="cup_locator")
    type_one(client, visit, locator, 0, "0.01")
    move(client, visit, bushing(visit))
    said = type_one(client, visit, locator, 90, "0.01")
    assert said.status_code == 422
    assert "Yes: sweep it as left" in text_of(said)
