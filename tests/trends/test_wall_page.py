"""Tools and wall: which offset a can belongs to, what the plant learns from it, and what the page says."""

import csv
import datetime as dt
import io
import math

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from linelog.alignment.models import Amendment, MoveMade
from linelog.calc.units import Unit
from linelog.plant.models import Fitting, ToolingSet, ToolPart
from linelog.production.models import Event
from linelog.production.services import walls
from linelog.production.walls import Can, Ring
from linelog.trends.wall import load
from linelog.trends.wall_figures import figures
from linelog.trends.wall_said import mean_words, ratio_words, said
from linelog.web.plotly import untyped
from tests import factories
from tests.trends.invented import result, signed_visit, store

pytestmark = pytest.mark.django_db
EIGHT = tuple(45.0 * k for k in range(8))


@pytest.fixture
def now():
    return timezone.now()


@pytest.fixture
def machine():
    return factories.machine(name="BM 1")


@pytest.fixture
def mechanic(machine):
    return factories.person("mechanic", machine.line.plant)


@pytest.fixture
def client(signed_in, mechanic):
    return signed_in(mechanic)


def pack(machine):
    return machine.stations.get(kind="tool_pack")


def measured(machine, by, at, front, rear=(0.0, 0.0), *, method="static", **more):
    """A signed visit that left the tool pack's front seat at `front`, um."""
    visit = signed_visit(machine, by, at)
    seats = (("front", front), ("rear", rear)) if method == "static" else (("", front),)
    store([result(visit, pack(machine), "as_left", xy, seat=seat, method=method, **more) for seat, xy in seats])
    return visit


def sampled(machine, by, at, thick, *, mean=100.0, height=60.0, upper=None, noise=0.0, seed=1, **more):
    """A can whose wall is thick toward `thick` (x, y), um."""
    rng = np.random.default_rng(seed)
    rings = []
    for number, (x, y) in enumerate([thick] if upper is None else [thick, upper]):
        readings = tuple(
            (angle, mean + x * math.sin(math.radians(angle)) + y * math.cos(math.radians(angle)) + error, "0.1")
            for angle, error in zip(EIGHT, rng.normal(0.0, noise, 8) if noise else np.zeros(8), strict=True)
        )
        rings.append(Ring(height + 50.0 * number, readings))
    return walls.enter(by=by, at=at, can=Can(machine, at, "crank", 1.0, "mm", tuple(rings), **more))


def days_ago(now, days):
    return now - dt.timedelta(days=days)


def page(client, machine, **query):
    answer = client.get(f"/machines/{machine.pk}/wall/", query)
    assert answer.status_code == 200
    return answer.content.decode().replace("&#x27;", "'")


class TestWhichOffset:
    def test_the_last_signed_result_before_the_can(self, machine, mechanic, now):
        measured(machine, mechanic, days_ago(now, 60), (9.0, 0.0))
        last = measured(machine, mechanic, days_ago(now, 20), (3.0, 4.0))
        measured(machine, mechanic, days_ago(now, 2), (7.0, 0.0))
        sampled(machine, mechanic, days_ago(now, 5), (2.0, 0.0))
        found = load(machine, now)
        offset = found.match(found.latest, "static").offset
        assert (offset.visit_id, offset.size_um) == (last.pk, 5.0)
        assert found.match(found.latest, "running").offset is None

    def test_the_front_seat_counts_where_the_last_die_sits(self, machine, mechanic, now):
        measured(machine, mechanic, days_ago(now, 20), (3.0, 4.0), rear=(-30.0, 0.0))
        sampled(machine, mechanic, days_ago(now, 5), (2.0, 0.0))
        found = load(machine, now)
        assert found.match(found.latest, "static").offset.x_um == 3.0

    def test_static_and_running_stay_apart(self, machine, mechanic, now):
        measured(machine, mechanic, days_ago(now, 20), (3.0, 4.0))
        measured(machine, mechanic, days_ago(now, 10), (1.0, -8.0), method="running")
        sampled(machine, mechanic, days_ago(now, 5), (2.0, 0.0))
        found = load(machine, now)
        assert found.match(found.latest, "static").offset.y_um == 4.0
        assert found.match(found.latest, "running").offset.y_um == -8.0

    @pytest.mark.parametrize(
        ("what", "words"),
        [
            ("move", "Tool pack moved"),
            ("bushing", "Front bushing moved"),
            ("tools", "tools changed to Set 9"),
            ("crash", "crash"),
        ],
    )
    def test_nothing_holds_after_something_moved(self, machine, mechanic, now, what, words):
        measured(machine, mechanic, days_ago(now, 20), (3.0, 4.0))
        sampled(machine, mechanic, days_ago(now, 5), (2.0, 0.0))
        between = days_ago(now, 12)
        if what in {"move", "bushing"}:
            station = pack(machine) if what == "move" else machine.stations.get(kind="front_bushing")
            visit = factories.visit(machine, mechanic, opened_at=between)
            MoveMade.objects.create(
                visit=visit, station=station, unit="mm", words="Shim out", by=mechanic, at=between
            )
        elif what == "tools":
            tools = ToolingSet.objects.create(plant=machine.line.plant, name="Set 9")
            Fitting.objects.create(tooling_set=tools, machine=machine, fitted_at=between)
        else:
            Event.objects.create(machine=machine, at=between, kind="crash", by=mechanic)
        found = load(machine, now)
        match = found.match(found.latest, "static")
        assert (match.offset, match.upset.what) == (None, words)
        assert f"{words} on " in said(found, Unit.MM)[0].measured

    def test_a_move_before_the_signature_or_at_the_domer_changes_nothing(self, machine, mechanic, now):
        visit = measured(machine, mechanic, days_ago(now, 20), (3.0, 4.0))
        domer, later = machine.stations.get(kind="domer"), factories.visit(machine, mechanic)
        facts = {"unit": "mm", "words": "Shim out", "by": mechanic}
        MoveMade.objects.create(visit=later, station=domer, at=days_ago(now, 10), **facts)
        MoveMade.objects.create(
            visit=visit, station=pack(machine), at=visit.signed_at - dt.timedelta(hours=1), **facts
        )
        sampled(machine, mechanic, days_ago(now, 5), (2.0, 0.0))
        found = load(machine, now)
        assert found.match(found.latest, "static").offset is not None

    def test_an_amendment_is_listened_to(self, machine, mechanic, now):
        visit = measured(machine, mechanic, days_ago(now, 20), (3.0, 4.0))
        about = {"visit": visit, "station": pack(machine), "stage": "as_left", "seat": "front", "by": mechanic}
        Amendment.objects.create(**about, reason="Typed wrongly", x_um=1.0, y_um=0.0, at=now)
        sampled(machine, mechanic, days_ago(now, 5), (2.0, 0.0))
        found = load(machine, now)
        assert found.match(found.latest, "static").offset.size_um == 1.0


class TestWhatThePlantLearns:
    def many(self, machine, by, now, *, ratio=0.3, droop=0.0, method="static", number=8, cans=2, seed=3):
        """Derived: walls are `ratio` times the true offset; static readings are `droop` um too high."""
        rng = np.random.default_rng(seed)
        for k in range(number):
            true = rng.normal(0.0, 12.0, 2)
            at = days_ago(now, 20 * (k + 1))
            measured(machine, by, at, (true[0], true[1] + droop), method=method, expanded_um=2.0)
            for can in range(cans):
                when = at + dt.timedelta(days=2 + can)
                sampled(machine, by, when, tuple(ratio * true), noise=0.3, seed=10 * k + can)

    def test_the_ratio_is_recovered_with_its_interval_and_its_pairs(self, machine, mechanic, now):
        self.many(machine, mechanic, now, method="running")
        learned = load(machine, now).learned["running"]
        assert learned.ratio.low < 0.3 < learned.ratio.high
        assert learned.ratio.high - learned.ratio.low < 0.1
        assert (len(learned.pairs), learned.pairs[0].cans) == (8, 2)  # cans of one result are one pair
        assert "learned from 8 pairs" in ratio_words(learned, Unit.MM)

    def test_the_hang_of_the_ram_is_taken_off_static_values(self, machine, mechanic, now):
        self.many(machine, mechanic, now, droop=15.0)
        learned = load(machine, now).learned["static"]
        assert learned.ratio.low < 0.3 < learned.ratio.high
        assert -learned.ratio.up_um / learned.ratio.value == pytest.approx(15.0, abs=1.5)
        assert "With the ram hanging, packs read +0.01" in ratio_words(learned, Unit.MM)

    def test_other_machines_of_the_plant_teach_and_other_plants_do_not(self, machine, mechanic, now):
        sister, stranger = factories.machine(machine.line), factories.machine()
        self.many(sister, mechanic, now, method="running")
        foreign = factories.person("mechanic", stranger.line.plant)
        self.many(stranger, foreign, now, method="running", ratio=0.9)
        learned = load(machine, now).learned["running"]
        assert len(learned.pairs) == 8
        assert learned.ratio.value == pytest.approx(0.3, abs=0.03)

    def test_too_few_pairs_are_said_to_be_too_few(self, client, machine, mechanic, now):
        self.many(machine, mechanic, now, number=2)
        learned = load(machine, now).learned["static"]
        assert learned.ratio is None
        shown = page(client, machine)
        assert "Not enough pairs yet: 2 pairs of walls and static offsets" in shown
        assert "Not enough pairs yet: 0 pairs of walls and running offsets" in shown
        assert "Without a learned ratio" in shown

    def test_a_can_that_follows_agrees_and_one_that_does_not_is_told(self, machine, mechanic, now):
        self.many(machine, mechanic, now, method="running")
        measured(machine, mechanic, days_ago(now, 4), (20.0, 0.0), method="running", expanded_um=2.0)
        sampled(machine, mechanic, days_ago(now, 3), (6.0, 0.0))
        running = said(load(machine, now), Unit.MM)[1]
        assert running.verdict == "agrees with the offset"
        assert "expect e = 0.006" in running.words
        assert "thin at 9 o'clock" in running.words
        assert "0.0200 mm, an upper bound" in running.rigid
        sampled(machine, mechanic, days_ago(now, 2), (-6.0, 0.0))
        running = said(load(machine, now), Unit.MM)[1]
        assert running.verdict == "does not agree with the offset"
        assert "Look elsewhere first" in running.words


class TestThePage:
    def test_an_empty_machine_says_so(self, client, machine):
        shown = page(client, machine)
        for words in ("No wall sample yet", "No tooling set is on this machine", "Not enough pairs yet"):
            assert words in shown
        assert client.get(f"/machines/{machine.pk}/wall-figures.json").json() == {}

    def test_the_last_can_and_its_side_stand_at_the_top(self, client, machine, mechanic, now):
        sampled(machine, mechanic, days_ago(now, 3), (0.0, -7.0), upper=(0.0, -3.0))
        shown = page(client, machine)
        assert "thin side at 12 o'clock" in shown
        assert '<span class="state out">act</span>' in shown
        assert "open a visit for wall variation" in shown

    def test_the_set_that_is_mounted_is_shown_with_its_schedule(self, client, machine, mechanic, now):
        tools = ToolingSet.objects.create(plant=machine.line.plant, name="Set 4")
        ToolPart.objects.create(tooling_set=tools, kind="punch", diameter_mm=66.0)
        for number, wall in enumerate((0.216, 0.162, 0.100), start=1):
            ToolPart.objects.create(tooling_set=tools, kind=f"ironing_die_{number}", diameter_mm=66.0 + 2 * wall)
        Fitting.objects.create(tooling_set=tools, machine=machine, fitted_at=days_ago(now, 9))
        sampled(machine, mechanic, days_ago(now, 3), (1.0, 0.0), mean=102.0)
        shown = page(client, machine)
        assert "Set 4 since" in shown
        assert "38.3 %" in shown  # 1 - 0.100 / 0.162
        assert "0.1020, gap of its last die 0.1000: +0.0020\u202fmm" in shown

    def test_a_can_of_other_tools_says_nothing_of_the_set_that_is_on_now(self, machine, mechanic, now):
        sampled(machine, mechanic, days_ago(now, 3), (1.0, 0.0))
        tools = ToolingSet.objects.create(plant=machine.line.plant, name="Set 4")
        for kind, diameter in (("punch", 66.0), ("ironing_die_1", 66.4)):
            ToolPart.objects.create(tooling_set=tools, kind=kind, diameter_mm=diameter)
        Fitting.objects.create(tooling_set=tools, machine=machine, fitted_at=days_ago(now, 1))
        assert "says nothing of this set" in mean_words(load(machine, now), Unit.MM)

    def test_the_figures_carry_the_levels_the_sides_and_the_ratio(self, client, machine, mechanic, now):
        TestWhatThePlantLearns().many(machine, mechanic, now, number=4)
        made = client.get(f"/machines/{machine.pk}/wall-figures.json").json()
        assert set(made) == {"variation", "side", "ratio-static"}
        lines = [trace for trace in made["variation"]["data"] if "Level" in trace["name"]]
        levels = {trace["name"]: untyped(trace["y"])[0] for trace in lines}
        assert levels == pytest.approx({"Level: good": 0.0075, "Level: look": 0.010, "Level: act": 0.0125})
        assert made["variation"]["layout"]["yaxis"]["title"]["text"] == "Variation, mm"
        dots = next(trace for trace in made["side"]["data"] if trace["name"] == "Thin side")
        found = load(machine, now)
        x, y = untyped(dots["x"])[-1], untyped(dots["y"])[-1]
        assert np.rad2deg(np.arctan2(x, y)) % 360.0 == pytest.approx(found.latest.thin_deg)
        assert dots["customdata"][-1][1] == f"/counts/wall/{found.latest.sample_id}/"

    def test_the_numbers_stand_in_a_table_and_a_file_that_agree(self, client, machine, mechanic, now):
        measured(machine, mechanic, days_ago(now, 20), (20.0, 0.0))
        sampled(machine, mechanic, days_ago(now, 5), (6.0, 0.0), upper=(4.0, 0.0), can="=1+1")
        answer = client.get(f"/machines/{machine.pk}/wall.csv")
        rows = list(csv.DictReader(io.StringIO(answer.content.decode())))
        assert [row["height_mm"] for row in rows] == ["110.0", "60.0"]
        assert float(rows[1]["eccentricity_mm"]) == pytest.approx(0.006, abs=1e-6)
        assert float(rows[1]["static_share"]) == pytest.approx(0.3, abs=0.001)
        assert float(rows[1]["thin_deg"]) == 270.0
        assert rows[1]["running_offset_mm"] == ""
        assert rows[0]["can"] == "'=1+1"
        assert "0.0060" in page(client, machine)

    def test_in_inches_for_who_reads_inches(self, client, machine, mechanic, now):
        mechanic.unit = "inch"
        mechanic.save()
        sampled(machine, mechanic, days_ago(now, 5), (6.35, 0.0))
        shown = page(client, machine)
        assert "e 0.00025 ±" in shown
        assert "mm above the dome" in shown

    def test_pages_of_the_table_and_the_fragment(self, client, machine, mechanic, now):
        for hour in range(45):
            sampled(machine, mechanic, days_ago(now, 60) + dt.timedelta(hours=hour), (1.0, 0.0))
        assert "page 1 of 2" in page(client, machine)
        part = client.get(f"/machines/{machine.pk}/wall/?page=2", headers={"hx-request": "true"})
        assert "page 2 of 2" in part.content.decode()
        assert "<html" not in part.content.decode()
        assert "page 2 of 2" in page(client, machine, page="999")
        assert "page 1 of 2" in page(client, machine, page="x")

    def test_another_plants_machine_is_not_there(self, client):
        stranger = factories.machine()
        for path in ("wall/", "wall.csv", "wall-figures.json"):
            assert client.get(f"/machines/{stranger.pk}/{path}").status_code == 404

    def test_a_long_history_takes_as_many_queries_as_a_short_one(self, client, machine, mechanic, now):
        def asked():
            page(client, machine)  # what the plant has learned is kept from here on
            counted = []
            for path in ("wall/", "wall.csv", "wall-figures.json"):
                with CaptureQueriesContext(connection) as seen:
                    assert client.get(f"/machines/{machine.pk}/{path}").status_code == 200
                counted.append(len(seen))
            return counted

        TestWhatThePlantLearns().many(machine, mechanic, now, number=3, cans=1)
        few = asked()
        sister = factories.machine(machine.line)
        TestWhatThePlantLearns().many(sister, mechanic, now, number=10, cans=2, seed=5)
        for hour in range(80):
            sampled(machine, mechanic, days_ago(now, 300) + dt.timedelta(hours=hour), (1.0, 0.0))
        assert asked() == few


def test_no_figure_breaks_where_everything_is_nought(machine, mechanic, now):
    for k in range(4):
        at = days_ago(now, 20 * (k + 1))
        measured(machine, mechanic, at, (0.0, 0.0))
        sampled(machine, mechanic, at + dt.timedelta(days=1), (0.0, 0.0))
    found = load(machine, now)
    assert found.learned["static"].ratio is None
    assert set(figures(found, Unit.UM)) == {"variation"}
    assert said(found, Unit.UM)[0].verdict == "agrees with the offset"
