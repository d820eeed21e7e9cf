"""What the adjusters are known to stand at: packs counted, travel used up, moves not offered twice.

The machine is simulated: a foot lies where its shims put it, and the dial reads what plain geometry says it must.
"""

import html
import re
from types import SimpleNamespace

import pytest
from django.urls import reverse
from django.utils import timezone

from linelog.alignment.models import MoveMade
from linelog.alignment.moves_made import made_words
from linelog.alignment.queries import adjusters_of
from linelog.alignment.results.captions import off_words
from linelog.alignment.results.status import Figure
from linelog.calc.frame import clock_words
from linelog.calc.readings import View, clock_deg
from linelog.calc.units import Unit
from linelog.calc.verdict import judge
from linelog.plant.models import Adjuster, Person, ShimThickness
from tests import factories
from tests.alignment.helpers import HTMX, OUT_HIGH, address, seen, type_round

pytestmark = pytest.mark.django_db


@pytest.fixture
def job(signed_in):
    machine = factories.machine()
    mechanic = factories.person("mechanic", machine.line.plant)
    visit = factories.visit(machine, mechanic, opened_at=timezone.now())
    return signed_in(mechanic), visit, machine.stations.get(kind="tool_pack")


def station_page(client, visit, station, **place):
    return client.get(address("station", visit, station, **place))


def sweep_both(client, visit, pack, readings, stage="as_found"):
    type_round(client, visit, pack, readings, seat="rear", stage=stage)
    return type_round(client, visit, pack, readings, seat="front", stage=stage)


def count(client, visit, foot, pieces):
    url = reverse("alignment:count_pack", args=[visit.pk, foot.station_id, foot.pk])
    return client.post(url, {"pieces": pieces, "unit": "mm"}, headers=HTMX)


def log(client, visit, row, **form):
    return client.post(address("move", visit, row.station), {"adjuster": row.pk, "unit": "mm", **form}, headers=HTMX)


def now(row):
    return next(one for one in adjusters_of(row.station) if one.pk == row.pk)


def test_a_move_is_offered_once_and_then_a_sweep_as_left(job, signed_in):
    client, visit, pack = job
    offered = sweep_both(client, visit, pack, OUT_HIGH)
    assert b"Front foot: lower by" in offered.content
    mark = seen("advised", offered)
    answer = client.post(address("advised", visit, pack, seat="front"), mark, headers=HTMX).content.decode()
    assert answer.count("Moves are logged: sweep it as left.") == 2, (
        "in the headline and the move of the page it is on"
    )
    assert "Front foot: lower by" not in answer
    second = signed_in(factories.person("mechanic", visit.machine.line.plant, username="second"))
    page = station_page(second, visit, pack, seat="front", stage="as_found").content.decode()
    assert "Moves are logged: sweep it as left." in page
    assert "Done as offered" not in page
    assert "Front foot: lower" not in page
    left = sweep_both(second, visit, pack, {"0": "0", "90": "0.04", "180": "0.08", "270": "0.04"}, stage="as_left")
    assert b"Moves are logged" not in left.content
    assert b"foot: " in left.content  # out as left, by readings since the move: a further one is offered


def test_pieces_are_taken_only_out_of_a_pack_that_holds_them(job):
    client, visit, pack = job
    for foot in pack.adjusters.filter(kind="shim"):
        assert count(client, visit, foot, "0.05 + 0.01 + 0.01 + 0.5").status_code == 200
        assert now(foot).pieces_now == (500.0, 50.0, 10.0, 10.0)
    offered = sweep_both(client, visit, pack, OUT_HIGH)
    assert "Front foot: take out 0.06 mm: 0.05 + 0.01 (lowers it)" in offered.content.decode()
    client.post(address("advised", visit, pack, seat="front"), seen("advised", offered), headers=HTMX)
    foot = pack.adjusters.get(name="Front foot")
    assert now(foot).pieces_now == (500.0, 10.0)
    move = MoveMade.objects.get(adjuster=foot)
    assert (move.verb, move.taken_out_um, move.put_in_um, move.toward_deg) == ("take_out", [50.0, 10.0], [], 180.0)
    assert made_words(move, Unit.INCH, View.CRANK).replace("\u202f", " ") == (
        "Front foot: took out 0.0024 in: 0.0020 + 0.0004"
    )
    # Taken back, they lie there again.
    client.post(reverse("alignment:move_back", args=[visit.pk, pack.pk, move.pk]), headers=HTMX)
    assert now(foot).pieces_now == (500.0, 50.0, 10.0, 10.0)


def test_a_screw_moved_by_the_indicator_keeps_its_sense(job):
    client, visit, pack = job
    screw = pack.adjusters.filter(kind="screw").first()
    log(client, visit, screw, way="+", by_indicator="0.05", travel="0.05")
    log(client, visit, screw, way="-", by_indicator="0.05", travel="0.05")
    first, second = MoveMade.objects.filter(adjuster=screw)
    inward, outward = ("in", "out") if screw.clockwise_is_positive else ("out", "in")
    for move, sense in ((first, inward), (second, outward)):
        assert f"turned {sense} until the indicator had moved by 0.050" in made_words(move, Unit.MM, View.CRANK)


def test_what_cannot_be_told_of_a_pack_makes_it_not_known(job):
    client, visit, pack = job
    foot = pack.adjusters.get(name="Rear foot")
    count(client, visit, foot, "0.5 0.1")
    log(client, visit, foot, way="-", travel="0.1")
    assert now(foot).pieces_now == (500.0,)
    log(client, visit, foot, way="-", travel="0.03")  # no such piece lies there
    assert now(foot).pieces_now is None
    count(client, visit, foot, "0")
    assert now(foot).pieces_now == ()


@pytest.mark.parametrize(("typed", "said"), [("", "Which shims"), ("0.5 + x", "not a number"), ("20", "is no shim")])
def test_a_count_that_makes_no_sense_is_told_in_a_sentence(job, typed, said):
    client, visit, pack = job
    foot = pack.adjusters.get(name="Rear foot")
    response = count(client, visit, foot, typed)
    assert response.status_code == 422
    assert said in response.content.decode()
    assert Adjuster.objects.get(pk=foot.pk).pack_um is None


def test_a_screw_has_no_pack_to_count(job):
    client, visit, pack = job
    response = count(client, visit, pack.adjusters.get(name="Rear side screw"), "0.5")
    assert response.status_code == 422
    assert "has no pack of shims" in response.content.decode()


def test_travel_is_used_up_and_comes_back(job):
    client, visit, pack = job
    screw = pack.adjusters.get(name="Front side screw")  # +-1.5 mm, 1 mm a turn
    assert log(client, visit, screw, way="+", turns="1", flats="2.4").status_code == 200
    assert now(screw).travel_left_um == pytest.approx((-2900.0, 100.0))
    refused = log(client, visit, screw, way="+", turns="1")
    assert refused.status_code == 422
    said = refused.content.decode()
    assert "has no such travel left" in said
    assert "from −2.900 to +0.100 mm" in said
    Person.objects.filter(pk=visit.opened_by_id).update(unit=Unit.INCH.value)
    said = log(client, visit, screw, way="+", turns="1").content.decode()
    Person.objects.filter(pk=visit.opened_by_id).update(unit=Unit.MM.value)
    assert "from −0.1142 to +0.0039 in" in said
    assert " mm" not in said.split("has no such travel left")[1].split("Check the number")[0]
    offered = sweep_both(client, visit, pack, {"0": "0", "90": "0.2", "180": "0", "270": "-0.2"}, stage="as_left")
    assert MoveMade.objects.count() == 1, offered.content.decode()
    move = MoveMade.objects.get()
    assert (move.verb, move.turns, move.toward_deg) == ("turn", pytest.approx(1.4), 90.0)
    client.post(reverse("alignment:move_back", args=[visit.pk, pack.pk, move.pk]), headers=HTMX)
    assert now(screw).travel_left_um == (-1500.0, 1500.0)


def test_what_the_next_visit_offers_fits_into_what_is_left(job, signed_in):
    client, visit, pack = job
    for name in ("Front side screw", "Rear side screw"):
        log(client, visit, pack.adjusters.get(name=name), way="+", travel="1.4")
    again = factories.visit(visit.machine, factories.person("mechanic", visit.machine.line.plant, username="later"))
    offered = sweep_both(client, again, pack, {"0": "0", "90": "0.4", "180": "0", "270": "-0.4"}).content.decode()
    turned = [float(mm) for mm in re.findall(r"side screw: .*?to ([0-9.]+) mm on the indicator", offered)]
    assert "has 0.10 mm" in offered
    assert all(mm <= 0.1 for mm in turned)


def test_a_screw_is_logged_by_the_indicator_and_a_foot_not_beyond_its_travel(job):
    client, visit, pack = job
    screw, foot = pack.adjusters.get(name="Rear side screw"), pack.adjusters.get(name="Rear foot")
    assert log(client, visit, screw, way="-", travel="0.07").status_code == 200
    assert (MoveMade.objects.get().travel_um, MoveMade.objects.get().verb) == (-70.0, "turn")
    assert f'id="t-{screw.pk}-by"' in station_page(client, visit, pack).content.decode()
    assert log(client, visit, foot, way="+", travel="20").status_code == 422
    assert MoveMade.objects.count() == 1


def test_counted_stock_goes_into_the_move_and_shrinks_with_it(job):
    client, visit, pack = job
    foot = pack.adjusters.get(name="Rear foot")
    ShimThickness.objects.filter(stock=foot.stock).update(pieces=0)
    ShimThickness.objects.filter(stock=foot.stock, thickness_um=20.0).update(pieces=4)
    low = {"0": "0.08", "90": "0.04", "180": "0", "270": "0.04"}
    offered = sweep_both(client, visit, pack, low).content.decode()
    assert "Rear foot: put in 0.04 mm: 0.02 + 0.02 (raises it)" in offered
    log(client, visit, foot, way="+", travel="0.02")
    assert ShimThickness.objects.get(stock=foot.stock, thickness_um=20.0).pieces == 3
    client.post(reverse("alignment:move_back", args=[visit.pk, pack.pk, MoveMade.objects.get().pk]), headers=HTMX)
    assert ShimThickness.objects.get(stock=foot.stock, thickness_um=20.0).pieces == 4


def test_the_move_as_told_brings_the_simulated_machine_inside(job):
    client, visit, pack = job
    for foot in pack.adjusters.filter(kind="shim"):
        count(client, visit, foot, "0.5 + 0.1 + 0.05 + 0.02 + 0.02 + 0.01")
    true = {"front": 0.043, "rear": 0.097}  # mm high at each seat
    feet = {"Front foot": 310.0, "Rear foot": 150.0}
    seats = {"front": pack.seat_z_mm("front"), "rear": pack.seat_z_mm("rear")}

    def dial(seat, stage):  # a bore's dial on the ram line: r6 - r12 = twice the height
        readings = {"0": "0", "90": f"{true[seat]:.3f}", "180": f"{2 * true[seat]:.3f}", "270": f"{true[seat]:.3f}"}
        return type_round(client, visit, pack, readings, seat=seat, stage=stage).content.decode()

    dial("rear", "as_found")
    said = dial("front", "as_found")
    moved = dict.fromkeys(feet, 0.0)
    for name, what in re.findall(r"<li>(\w+ foot): ([^(]+)", said.split("</ul>")[0]):  # the first move
        for verb, mm in re.findall(r"(put in|take out) ([0-9.]+) mm", what):
            moved[name] += float(mm) if verb == "put in" else -float(mm)
    assert any(moved.values())
    turn = (moved["Front foot"] - moved["Rear foot"]) / (310.0 - 150.0)
    for seat, z in seats.items():
        true[seat] += moved["Rear foot"] + turn * (z - 150.0)
    assert max(map(abs, true.values())) < 0.006
    dial("rear", "as_left")
    assert 'state in"' in dial("front", "as_left") or "proven inside" in dial("front", "as_left")


def test_a_tilt_shim_is_named_by_the_clock_of_who_stands_at_the_station_wherever_the_move_stands(job):
    client, visit, _ = job
    shim = Adjuster.objects.filter(station__machine=visit.machine, along_z=True).order_by("pk").first()
    type(shim.station).objects.filter(pk=shim.station_id).update(view=View.DOMER.value)
    shim.station.refresh_from_db()
    assert log(client, visit, shim, way="+", travel="0.05").status_code == 200
    hour = clock_words(clock_deg(shim.at_x_mm, shim.at_y_mm), View.DOMER)
    assert hour.endswith("seen from the domer")
    for name in ("visit", "sheet", "sign"):
        page = html.unescape(client.get(address(name, visit)).content.decode())
        assert f"{shim} (at {hour})" in page, name


@pytest.mark.parametrize(
    ("turns", "said"),
    [
        (0.03 / 5, "turned less than 1/4 flat in"),
        (0.06, "turned about 0.25 flats in"),
        (1.0 + 0.5 / 6, "turned 1 turns and 0.5 flats in"),
    ],
)
def test_turns_that_are_no_whole_quarter_of_a_flat_say_so(job, turns, said):
    _, visit, pack = job
    screw = pack.adjusters.get(name="Front side screw")
    move = MoveMade(visit=visit, station=pack, adjuster=screw, travel_um=1000.0 * turns, turns=turns, verb="turn")
    assert said in made_words(move, Unit.MM, View.CRANK)


def test_what_rounds_to_nothing_lies_on_the_ram_line():
    of = SimpleNamespace(limit_um=50.0)
    assert off_words(Figure("", 0.2, -0.3, 4.0, judge(0.36, 4.0, 50.0), of), Unit.MM, View.CRANK) == "on the ram line"
    below = off_words(Figure("", 0.0, -2.0, 4.0, judge(2.0, 4.0, 50.0), of), Unit.MM, View.CRANK)
    assert below == "0.002\u202fmm below the ram line"
