"""The fleet: compared by one yardstick, put in order, read in a fixed number of queries."""

import datetime as dt

import pytest
from django.db import connection
from django.db.models import F
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from linelog.alignment.models import Amendment, Result
from linelog.plant.models import MarkAssignment
from linelog.production.made import Told
from linelog.trends.due.store import refit_drifts
from linelog.trends.fleet import natural, ordered, read
from linelog.trends.models.control import Signal
from linelog.trends.ranking.refit import refit_ranking
from linelog.trends.ranking.shown import SAYS, boards
from linelog.trends.rates import TEAR_OFFS
from tests import factories
from tests.trends import invented

NOW, TODAY = factories.NOW, factories.NOW.date()


pytestmark = pytest.mark.usefixtures("no_ram")


def test_the_yardstick_is_that_of_the_ranking(manager):
    """The page and the stored ranking say the same of each machine; the ranking itself is checked in test_ranking."""
    made = small_fleet(manager, 4, days=91)
    made[0].day_counts.update(tear_offs=F("tear_offs") * 4)
    assert all(row.against is None for row in read(manager, TODAY, NOW).rows)  # nothing is ranked yet
    refit_ranking(manager.plant, NOW)
    rows = {row.known.pk: row.against for row in read(manager, TODAY, NOW).rows}
    (board,) = boards(manager, TEAR_OFFS, 91)
    for shown in board.rows:
        one = rows[shown.machine.pk]
        assert (shown.shrunk, shown.interval) == (one.rate_text, one.interval)
        assert shown.says == SAYS[one.word]
    assert rows[made[0].pk].word == "above"
    assert rows[made[0].pk].much_more
    assert not rows[made[1].pk].much_more


def test_few_cans_are_said_so_and_a_machine_without_cans_is_left_out(manager):
    made = small_fleet(manager, 4, days=91)
    made[1].day_counts.exclude(pk=made[1].day_counts.first().pk).delete()
    made[2].day_counts.all().delete()
    refit_ranking(manager.plant, NOW)
    rows = {row.known.pk: row.against for row in read(manager, TODAY, NOW).rows}
    assert rows[made[1].pk].few
    assert rows[made[1].pk].word == "no different"
    assert rows[made[2].pk] is None


def test_names_sort_as_people_count():
    assert sorted(["BM 10", "BM 9", "bm 2", "Trimmer"], key=natural) == ["bm 2", "BM 9", "BM 10", "Trimmer"]


def small_fleet(manager, machines, days=28):
    line = factories.line(manager.plant)
    made = [factories.machine(line, mark=str(number), name=f"BM {number}") for number in range(machines)]
    for number, machine in enumerate(made):
        invented.history(machine, manager, 2, until=NOW - dt.timedelta(days=number), seed=number)
        invented.counts(machine, days, until=TODAY, seed=number)
        factories.visit(machine, manager)
        Amendment.objects.create(visit=machine.visits.last(), reason="noted", by=manager, at=NOW)
    return made


def queries_of(client, url):
    client.get(url)
    with CaptureQueriesContext(connection) as seen:
        assert client.get(url).status_code == 200
    return len(seen)


def test_the_front_page_asks_as_often_for_a_hundred_machines_as_for_ten(manager):
    clients = {role: Client() for role in ("mechanic", "manager", "quality", "viewer")}
    for role, client in clients.items():
        client.force_login(factories.person(role, manager.plant))
    seen = []
    for more in (10, 90):
        small_fleet(manager, more)
        refit_drifts(manager.plant, NOW)
        seen.append({role: queries_of(client, "/") for role, client in clients.items()})
    assert seen[0] == seen[1]
    assert max(seen[0].values()) <= 44


def test_a_row_says_where_it_stands_now(manager):
    (machine,) = small_fleet(manager, 1)
    domer = machine.stations.get(kind="domer")
    Result.objects.update(x_um=1.0, y_um=0.0, radial_um=1.0, verdict="in", severity=0.1)
    last = machine.visits.filter(state="signed").order_by("-opened_at").first()
    last.results.filter(station=domer).update(x_um=60.0, radial_um=60.0, verdict="out", severity=60 / 38)
    (row,) = read(manager, TODAY, factories.NOW).rows
    assert (row.worst.place, row.worst.status.word, row.is_out) == ("Domer", "out", True)
    assert row.marks == ("0",)
    assert row.last_day == last.opened_at.date()
    assert len(row.open_visits) == 1


def test_a_last_value_set_aside_gives_way_to_the_one_before(manager):
    (machine,) = small_fleet(manager, 1)
    domer = machine.stations.get(kind="domer")
    Result.objects.update(severity=0.1, verdict="in", carried=False)
    first, last = machine.visits.filter(state="signed").order_by("opened_at")
    first.results.filter(station=domer).update(severity=0.5)
    for stage in ("as_found", "as_left"):
        Amendment.objects.create(
            visit=last, station=domer, stage=stage, reason="wrong dial", set_aside=True, by=manager, at=NOW
        )
    (row,) = read(manager, TODAY, factories.NOW).rows
    assert (row.worst.place, row.worst.status.figure.value.visit_id, row.worst.status.severity) == (
        "Domer",
        first.pk,
        0.5,
    )
    Amendment.objects.create(
        visit=last, station=domer, stage="as_left", reason="it was right", x_um=100.0, y_um=0.0, by=manager, at=NOW
    )
    (row,) = read(manager, TODAY, factories.NOW).rows
    assert (row.worst.status.figure.value.visit_id, row.worst.status.word) == (last.pk, "out")


def test_orders_put_first_what_they_say(manager):
    made = small_fleet(manager, 4)
    never = factories.machine(made[0].line, name="BM 99")
    rows = read(manager, TODAY, factories.NOW).rows
    assert [row.known.name for row in ordered(rows, "machine")] == ["BM 0", "BM 1", "BM 2", "BM 3", "BM 99"]
    assert [row.known.name for row in ordered(rows, "age")] == ["BM 99", "BM 3", "BM 2", "BM 1", "BM 0"]
    assert ordered(rows, "rate")[-1].known.pk == never.pk
    assert ordered(rows, "worst")[-1].known.pk == never.pk
    need = ordered(rows, "need")
    assert [row.is_out for row in need] == sorted((row.is_out for row in need), reverse=True)


def test_a_machine_out_of_service_is_not_in_the_list(manager):
    made = small_fleet(manager, 2)
    made[0].out_of_service_on = TODAY - dt.timedelta(days=1)
    made[0].save()
    assert [row.known.pk for row in read(manager, TODAY, factories.NOW).rows] == [made[1].pk]


def test_the_rates_are_of_the_91_days_to_the_last_one_counted(manager):
    for number, machine in enumerate(small_fleet(manager, 3, days=0)):
        invented.counts(machine, 120, until=TODAY - dt.timedelta(days=10), seed=number)
    refit_ranking(manager.plant, NOW)
    fleet = read(manager, TODAY, NOW)
    assert fleet.until == fleet.counted == TODAY - dt.timedelta(days=10)
    assert (fleet.until - fleet.since).days == 90


def test_nobody_sees_another_plant(manager):
    small_fleet(manager, 1)
    assert read(factories.person("manager"), TODAY, factories.NOW).rows == ()


class TestPage:
    @pytest.fixture
    def fleet(self, manager):
        return small_fleet(manager, 3)

    def page(self, signed_in, role, manager, query="", **headers):
        return signed_in(factories.person(role, manager.plant)).get(f"/{query}", headers=headers)

    def test_the_mechanic_resumes_and_picks(self, signed_in, manager, fleet):
        text = self.page(signed_in, "mechanic", manager).content.decode()
        assert text.index("Open visits: go on here") < text.index("Choose the machine") < text.index("All machines")
        for machine in fleet:
            assert reverse("alignment:visit", args=[machine.visits.get(state="open").pk]) in text

    def test_the_manager_sees_one_list_what_is_not_alignment_first(self, signed_in, manager):
        small_fleet(manager, 5, days=91)
        outlier = factories.machine(manager.plant.lines.first(), name="BM 9")
        history = invented.history(outlier, manager, 1, until=NOW)
        Result.objects.filter(visit=history[0]).update(x_um=1.0, y_um=0.0, radial_um=1.0, verdict="in", severity=0.1)
        invented.counts(outlier, 91, until=TODAY, per_million=160.0)
        refit_ranking(manager.plant, NOW)
        page = self.page(signed_in, "manager", manager)
        text = page.content.decode()
        assert next(row.known.name for row in page.context["rows"]) == "BM 9"
        assert "Not alignment: look at " in text
        assert "Waiting costs" in text
        assert "more than usual" in text
        done = [row.todo.is_work for row in page.context["rows"]]
        assert done == sorted(done, reverse=True)
        assert "Oldest alignment" not in text

    def test_quality_sees_machines_above_the_fleet_and_the_newest_counts(self, signed_in, manager, fleet):
        fleet[0].day_counts.update(tear_offs=F("tear_offs") * 10)
        text = self.page(signed_in, "quality", manager).content.decode()
        assert "Tear-offs above the fleet" in text
        assert "Signals to answer: 0" in text
        assert "Findings without a machine: 0" in text
        assert "Complaints open: 0" in text
        assert "2026-06-15" in text

    def test_quality_sees_what_waits_for_an_answer(self, signed_in, manager, fleet, monkeypatch):
        monkeypatch.setattr("django.utils.timezone.now", lambda: NOW)
        plant, day = manager.plant, TODAY
        told = Told(day)
        lost = factories.finding(plant, manager, told=told, mark="Z9")
        found = factories.finding(plant, manager, told=told, machine=fleet[0], complaint="C-17")
        factories.finding(plant, manager, told=told, machine=fleet[0], complaint="C-18", complaint_closed_on=day)
        figures = {"rate": 60.0, "centre": 40.0, "limit": 58.0, "counts": 24, "made": 400_000, "refitted_at": NOW}
        about = {"measure": "tear_offs", "rule": "line", "up": True, "day": day, "began_on": day}
        signal = Signal.objects.create(machine=fleet[0], **about, **figures)
        old = day - dt.timedelta(days=200)
        Signal.objects.create(machine=fleet[0], **about | {"day": old, "began_on": old}, **figures)
        text = self.page(signed_in, "quality", manager).content.decode()
        assert "Tear-offs 1.5 times what its line led to expect" in text
        for heading in ("Signals to answer: 1", "Findings without a machine: 1", "Complaints open: 1", "C-17"):
            assert heading in text
        assert "C-18" not in text
        for name, pk in (("signal", signal.pk), ("finding", lost.pk), ("finding", found.pk)):
            assert reverse(f"trends:{name}", args=[pk]) in text

    def test_the_viewer_starts_with_the_table(self, signed_in, manager, fleet):
        text = self.page(signed_in, "viewer", manager).content.decode()
        assert "Choose the machine" not in text
        assert "Signals to answer" not in text
        assert "All machines" in text

    def test_a_line_is_chosen_without_a_page_load(self, signed_in, manager, fleet):
        other = factories.machine(factories.line(manager.plant), name="Elsewhere 1")
        answer = self.page(signed_in, "viewer", manager, f"?line={other.line_id}&sort=age", **{"HX-Request": "true"})
        text = answer.content.decode()
        assert "<html" not in text
        assert "Elsewhere 1" in text
        assert "BM 0" not in text

    @pytest.mark.parametrize("query", ["?line=999", "?line=x", "?sort=cost"])
    def test_what_is_not_there_is_said_so(self, signed_in, manager, fleet, query):
        answer = self.page(signed_in, "viewer", manager, query)
        assert answer.status_code == 422
        assert "There is no such" in answer.content.decode()

    def test_an_empty_plant_has_a_page(self, signed_in):
        for role in ("mechanic", "manager", "quality", "viewer", "administrator"):
            assert signed_in(factories.person(role)).get("/").status_code == 200

    def test_two_marks_are_both_shown(self, signed_in, manager, fleet):
        MarkAssignment.objects.create(machine=fleet[0], mark="77", starts_on=dt.date(2025, 1, 1))
        assert "mark 0 and 77" in self.page(signed_in, "viewer", manager).content.decode()
