"""What a move for the value as measured does to the running machine, and which of two moves was made.

The template machine's own geometry says where a station lies after a move (`performed`, worked out by hand), and the
beam how far below that it runs; the verdict is ISO 14253-1's: in where size + U is within the limit, out where size
less U is beyond it.
"""

import html
import math

import pytest

from linelog.alignment.models import MoveMade
from linelog.alignment.running import knowledge_of, shift_for
from linelog.calc.verdict import Verdict
from linelog.plant.models import Machine
from tests import factories
from tests.alignment.helpers import HTMX, address, say_which_face, type_round
from tests.alignment.test_running_move import page_of, performed

pytestmark = pytest.mark.django_db

WOULD = "After this move it would still run out of its limit"
UNPROVEN = "After this move it is not proven when running"
INSIDE = "After this move it runs inside its limit"
SAYS = {Verdict.OUT: WOULD, Verdict.NOT_PROVEN: UNPROVEN, Verdict.IN: INSIDE}


@pytest.fixture
def machine():
    return factories.machine()


@pytest.fixture
def job(signed_in, machine):
    mechanic = factories.person("mechanic", machine.line.plant)
    return signed_in(mechanic), factories.visit(machine, mechanic)


def bore(x_mm, y_mm):
    """The readings of a bore that lies (x, y) off, mm: 12 o'clock is the zero, opposite ones differ by twice it."""
    return {"0": "0", "90": f"{y_mm - x_mm:.3f}", "180": f"{2 * y_mm:.3f}", "270": f"{y_mm + x_mm:.3f}"}


def swept(job, station, x_mm, y_mm):
    client, visit = job
    answer = None
    for seat in station.seats:
        answer = type_round(client, visit, station, bore(x_mm, y_mm), **({"seat": seat} if seat else {}))
    return html.unescape(answer.content.decode())


@pytest.mark.parametrize("kind", ["cup_locator", "stripper"])
def test_a_move_after_which_it_runs_inside_is_the_only_one_and_says_so(job, machine, kind):
    station = machine.stations.get(kind=kind)
    text = swept(job, station, 0.02, -0.25)
    page = page_of(job[1], station, job[1].opened_by)
    assert page.advice.lines
    assert page.advice.second is None
    assert WOULD not in text
    assert INSIDE in text
    assert [one.button for one in page.offers] == ["Done as offered"]


@pytest.mark.parametrize(("x_mm", "y_mm"), [(0.0, -0.12), (0.05, -0.30), (-0.2, 0.4), (0.15, -0.02)])
@pytest.mark.parametrize("kind", ["cup_locator", "redraw_sleeve", "stripper", "domer", "tool_pack"])
def test_how_it_runs_after_the_move_is_worked_out_from_where_the_move_leaves_it(job, machine, kind, x_mm, y_mm):
    station = machine.stations.get(kind=kind)
    text = swept(job, station, x_mm, y_mm)
    page = page_of(job[1], station, job[1].opened_by)
    runs = page.advice.runs
    if not page.advice.lines:  # what runs inside as it stands is told first, and its move second
        assert page.advice.second.runs is not None
        return
    left = performed(page.advice, station, 1000.0 * x_mm, 1000.0 * y_mm)
    knowledge, at = knowledge_of(machine, [station]), factories.NOW
    drops = [shift_for(knowledge, station, seat, page.sweep.ram_position_mm, at).dy_um for seat in station.seats]
    sizes = [math.hypot(left[0], left[1] + drop) for drop in drops]
    if len(sizes) == 1:
        assert runs.judged.size == pytest.approx(sizes[0], abs=0.01)
    else:  # feet in steps of a shim turn it a little
        assert runs.judged.size == pytest.approx(max(sizes), abs=8.0)
    size, within = runs.judged.size, runs.judged.expanded
    verdict = Verdict.IN if size + within <= station.limit_um else Verdict.NOT_PROVEN
    verdict = Verdict.OUT if size - within > station.limit_um else verdict
    assert runs.verdict is verdict
    assert SAYS[verdict] in text


def two_moves(job, machine):
    """A domer 80 um low at rest runs lower still by its droop: the two moves differ by that droop."""
    domer = machine.stations.get(kind="domer")
    text = swept(job, domer, 0.0, -0.08)
    return domer, text, page_of(job[1], domer, job[1].opened_by)


def test_where_the_droop_counts_two_moves_are_offered_each_with_its_verdict_and_button(job, machine):
    _, text, page = two_moves(job, machine)
    first, second = page.advice.offered
    assert first.runs.verdict is Verdict.OUT
    assert second.runs.judged.size < first.runs.judged.size / 4
    for words in (WOULD, SAYS[second.runs.verdict], "Done: the first move", "Done: to the static target"):
        assert words in text
    assert "Done as offered" not in text
    assert [one.leads for one in page.offers] == [False, True]  # the large button is not the one that runs out


def test_offset_and_tilt_are_both_named_where_both_would_run_out(job, machine):
    domer = machine.stations.get(kind="domer")
    client, visit = job
    swept(job, domer, 0.0, -0.2)
    say_which_face(client, visit, domer)
    type_round(client, visit, domer, dict.fromkeys(("0", "90", "180", "270"), "0"), kind="face")
    page = page_of(visit, domer, visit.opened_by)
    runs = page.advice.runs
    assert {runs.by_tilt, runs.besides.by_tilt} == {True, False}
    assert "of the tilt limit expected" in page.advice.runs_words
    assert " off expected, ±" in page.advice.runs_words


@pytest.mark.parametrize("which", [0, 1])
def test_the_move_whose_button_was_pressed_is_the_one_logged(job, machine, which):
    domer, _, page = two_moves(job, machine)
    client, visit = job
    offered = page.advice.offered[which]
    sent = client.post(address("advised", visit, domer), {"seen": page.offers[which].seen}, headers=HTMX)
    assert sent.status_code == 200
    made = list(MoveMade.objects.filter(visit=visit).order_by("pk"))
    assert [(m.adjuster_id, m.travel_um) for m in made] == [(x.adjuster.pk, x.travel_um) for x in offered.lines]
    assert {m.typed for m in made} == {("as offered", "as offered, to the static target")[which]}


def test_packs_change_by_the_move_that_was_made_and_no_other(job, machine):
    client, visit = job
    Machine.objects.filter(pk=machine.pk).update(punch_mass_kg=60.0)  # a heavy punch: the tool pack's droop counts
    machine.refresh_from_db()
    pack = machine.stations.get(kind="tool_pack")
    pack.adjusters.filter(kind="shim").update(pack_um=[500.0, 200.0], pack_counted_at=factories.NOW)
    swept(job, pack, 0.0, -0.09)
    page = page_of(visit, pack, visit.opened_by)
    second = page.advice.offered[1]
    assert (
        client.post(address("advised", visit, pack), {"seen": page.offers[1].seen}, headers=HTMX).status_code == 200
    )
    for line in second.lines:
        if line.adjuster.kind == "shim":
            now = next(row for row in page_of(visit, pack, visit.opened_by).adjusters if row.pk == line.adjuster.pk)
            assert sum(now.pieces_now) == pytest.approx(700.0 + line.travel_um)


def test_a_mark_of_neither_move_logs_nothing(job, machine):
    domer, _, _ = two_moves(job, machine)
    client, visit = job
    sent = client.post(address("advised", visit, domer), {"seen": "0" * 16}, headers=HTMX)
    assert "has changed since you saw it" in sent.content.decode()
    assert not MoveMade.objects.exists()


def head_of(text):
    return text[text.index('id="headline"') :].split("</p>")[0]


def test_a_move_of_more_than_one_line_is_told_once_and_the_head_leads_to_it(job, machine):
    domer, _, page = two_moves(job, machine)
    client, visit = job
    text = html.unescape(client.get(address("station", visit, domer)).content.decode())
    assert page.advice.lines[0].words not in head_of(text)
    assert 'href="#move">Move below</a>' in head_of(text)
    assert 'id="move"' in text


def test_a_move_of_one_line_stands_in_the_head_and_begins_with_its_capital(job, machine):
    Machine.objects.filter(pk=machine.pk).update(moves_for_running=True)
    machine.refresh_from_db()
    client, visit = job
    station = machine.stations.get(kind="stripper")
    swept(job, station, 0.0, -0.25)
    page = page_of(visit, station, visit.opened_by)
    (line,) = page.advice.lines
    text = html.unescape(client.get(address("station", visit, station)).content.decode())
    assert f"For the running value: {line.words}" in head_of(text)
    assert line.words.startswith("Upright slide")


def test_a_tilt_that_is_not_proven_out_is_told_and_moved_by_nothing(job, machine):
    """Not proven asks for more readings, not for a move (ISO 14253-1, within the limit give or take U)."""
    client, visit = job
    domer = machine.stations.get(kind="domer")
    swept(job, domer, 0.05, -0.2)
    say_which_face(client, visit, domer)
    type_round(client, visit, domer, {"0": "0", "90": "0.05", "180": "0.1", "270": "0.05"}, kind="face")
    tilt = page_of(visit, domer, visit.opened_by).found.tilt
    for limit, verdict in ((tilt.size, Verdict.NOT_PROVEN), ((tilt.size - tilt.radial.U) / 2.0, Verdict.OUT)):
        domer.tilt_limit_mm_per_m = limit
        domer.save()
        page = page_of(visit, domer, visit.opened_by)
        assert page.found.tilt_judged.verdict is verdict
        is_out = verdict is Verdict.OUT
        assert page.advice.lines
        assert any(line.adjuster.along_z for line in page.advice.lines) == is_out
        second, runs = page.advice.second, page.running.found.tilt_judged.verdict
        assert any(line.adjuster.along_z for line in second.lines) == (runs is Verdict.OUT), "by how it runs"
        text = html.unescape(client.get(address("station", visit, domer)).content.decode())
        assert ("The tilt is left as it is: " in text) != is_out
        assert ("To prove it, sweep the face" in text or "Not proven, and no" in text) != is_out
