"""Wall samples: typed, read from a file, corrected, taken out; what they come to, and what is refused."""

import datetime as dt
import io
import math

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from linelog.plant.models import Fitting, Plant, ToolingSet
from linelog.production.models import WallReading, WallRing, WallSample
from linelog.production.services import walls as services
from linelog.production.wall_forms import angles_of
from linelog.production.walls import Can, Ring
from linelog.web.errors import Conflict, NotAllowed, Refused
from linelog.web.models import AuditEvent
from tests import factories
from tests.production.helpers import Site

pytestmark = pytest.mark.django_db
NOW = factories.NOW
MADE = "2026-03-02T14:05"
EIGHT = angles_of(8)


@pytest.fixture
def site():
    return Site()


@pytest.fixture
def mechanic(site):
    return factories.person("mechanic", site.plant)


@pytest.fixture
def bench(site, client):
    client.force_login(site.quality)
    return client


def wall(e=6.0, thick_deg=45.0, mean=100.0, angles=EIGHT):
    """An eccentric wall in um: t(q) = mean + e cos(q - q0)."""
    return [mean + e * math.cos(math.radians(angle - thick_deg)) for angle in angles]


def typed(site, e=6.0, thick_deg=45.0, **more):
    """A sample as a person types it, in mm."""
    values = {f"a_{angle:g}": f"{um / 1000:.4f}" for angle, um in zip(EIGHT, wall(e, thick_deg), strict=True)}
    return {
        "machine": site.one.pk, "taken_at": MADE, "can": "", "view": "crank", "step_um": "0.001", "points": "8",
        "low_mm": "60", "high_mm": "", "note": "", **values, **more,
    }  # fmt: skip


def can(site, **more):
    readings = tuple(
        (angle, um, f"{um / 1000:.4f}") for angle, um in zip(EIGHT, wall(more.pop("e", 6.0)), strict=True)
    )
    facts = {
        "machine": site.one,
        "taken_at": NOW - dt.timedelta(days=3),
        "view": "crank",
        "step_um": 1.0,
        "unit": "mm",
    }
    return Can(**{**facts, "rings": (Ring(60.0, readings),), **more})


def page(answer):
    return answer.content.decode().replace("&#x27;", "'")


class TestTyped:
    def test_a_sample_is_stored_with_its_side_and_its_verdict(self, site, bench):
        """Derived: e = 6 um toward 1:30 makes the wall thin at 7:30 and largest less smallest 12 um."""
        answer = bench.post("/counts/wall/enter/", typed(site))
        sample = WallSample.objects.get()
        assert answer["Location"] == f"/counts/wall/{sample.pk}/"
        assert sample.taken_at == dt.datetime(2026, 3, 2, 13, 5, tzinfo=dt.UTC)  # 14:05 in Berlin, in winter
        ring = sample.rings.get()
        assert (ring.mean_um, ring.size_um) == pytest.approx((100.0, 6.0), abs=0.06)
        assert ring.thin_deg == pytest.approx(225.0, abs=1.0)
        assert ring.judged_um == pytest.approx(12.0, abs=0.12)
        assert (ring.state, ring.act_um) == ("look", 12.5)
        shown = page(bench.get(answer["Location"]))
        assert "Thin side at 7:30 o'clock" in shown
        assert "where the punch moved to" in shown
        assert "Take two more cans" in shown
        assert WallReading.objects.order_by("angle_deg").first().typed == "0.1042"
        event = AuditEvent.objects.get(object_type="wallsample")
        assert (event.action, event.plant_id) == ("entered", site.plant.pk)
        assert "0°: 0.1042" in event.after["wall at 60 mm"]

    def test_read_at_the_dome_three_and_nine_change_places(self, site, bench):
        bench.post("/counts/wall/enter/", typed(site, view="domer"))
        assert WallRing.objects.get().thin_deg == pytest.approx(135.0, abs=1.0)

    def test_in_the_unit_of_the_person(self, site, bench):
        site.quality.unit = "inch"
        site.quality.save()
        inches = {f"a_{angle:g}": f"{um / 25400:.6f}" for angle, um in zip(EIGHT, wall(), strict=True)}
        assert bench.post("/counts/wall/enter/", typed(site, step_um="0.00005", **inches)).status_code == 302
        assert WallRing.objects.get().mean_um == pytest.approx(100.0, abs=0.02)
        assert (WallSample.objects.get().unit, WallSample.objects.get().step_um) == ("inch", pytest.approx(1.27))

    def test_the_tools_on_the_machine_then_are_noted(self, site, bench):
        first, second = (ToolingSet.objects.create(plant=site.plant, name=f"Set {n}") for n in (1, 2))
        change = dt.datetime(2026, 3, 2, 14, 0, tzinfo=dt.UTC)  # 15:00 in Berlin
        begun = change - dt.timedelta(days=30)
        Fitting.objects.create(
            tooling_set=first, machine=site.one, fitted_at=begun, removed_at=change, reason_out="Worn"
        )
        Fitting.objects.create(tooling_set=second, machine=site.one, fitted_at=change)
        for clock, name in (("14:05", first), ("15:05", second)):
            bench.post("/counts/wall/enter/", typed(site, taken_at=f"2026-03-02T{clock}"))
            assert WallSample.objects.order_by("-pk").first().tooling_set == name
        bench.post("/counts/wall/enter/", typed(site, taken_at="2026-01-02T12:00"))
        assert WallSample.objects.order_by("-pk").first().tooling_set is None

    def test_two_heights_hint_at_a_tilt(self, site, bench):
        upper = {f"b_{a:g}": f"{um / 1000:.4f}" for a, um in zip(EIGHT, wall(6.0, 225.0, 150.0), strict=True)}
        answer = bench.post("/counts/wall/enter/", typed(site, high_mm="110", **upper))
        sample = WallSample.objects.get()
        assert sample.rings.count() == 2
        size = math.hypot(sample.tilt_x_mm_per_m, sample.tilt_y_mm_per_m)
        assert size == pytest.approx(12.0 / 50.0, rel=0.02)  # derived: from 6 um one way to 6 the other over 50 mm
        assert "hints at a tilted tool pack" in page(bench.get(answer["Location"]))

    def test_two_heights_that_agree_say_so_whatever_their_order(self, site, bench):
        upper = {f"b_{a:g}": f"{um / 1000:.4f}" for a, um in zip(EIGHT, wall(6.0, 45.0, 150.0), strict=True)}
        answer = bench.post("/counts/wall/enter/", typed(site, low_mm="110", high_mm="60", **upper))
        assert [ring.mean_um > 120 for ring in WallRing.objects.order_by("height_mm")] == [True, False]
        assert "The two heights agree" in page(bench.get(answer["Location"]))

    def test_the_plants_own_levels_judge(self, site, bench):
        Plant.objects.filter(pk=site.plant.pk).update(wall_good_um=20.0, wall_look_um=30.0, wall_act_um=40.0)
        bench.post("/counts/wall/enter/", typed(site))
        assert WallRing.objects.get().state == "good"

    def test_the_same_form_sent_twice_is_stored_once(self, site, bench):
        for _ in range(2):
            assert bench.post("/counts/wall/enter/", typed(site, key="one")).status_code == 302
        assert WallSample.objects.count() == 1
        other = bench.post("/counts/wall/enter/", typed(site, key="one", note="other"))
        assert (other.status_code, "other content" in page(other)) == (422, True)

    def test_another_can_of_the_minute_needs_a_number(self, site, bench):
        bench.post("/counts/wall/enter/", typed(site))
        answer = bench.post("/counts/wall/enter/", typed(site, e=2.0))
        assert (answer.status_code, "stored already" in page(answer)) == (422, True)
        assert bench.post("/counts/wall/enter/", typed(site, e=2.0, can="2")).status_code == 302

    def test_four_positions_do_and_empty_ones_are_left_out(self, site, bench):
        few = {f"a_{angle:g}": "" for angle in (45.0, 135.0, 225.0, 315.0)}
        assert bench.post("/counts/wall/enter/", typed(site, **few)).status_code == 302
        assert WallReading.objects.count() == 4

    @pytest.mark.parametrize(
        ("wrong", "field", "sentence"),
        [
            ({"a_0": "98"}, "a_0", "check the number and its unit"),
            ({"a_0": "0.000098"}, "a_0", "0.010\u202fmm or more"),
            ({"a_0": "abc"}, "a_0", "is not a number"),
            ({"a_0": "nan"}, "a_0", "is not a number"),
            ({"a_0": "1e308"}, "a_0", "is not a number"),
            ({"a_0": "-0.1"}, "a_0", "or more"),
            ({f"a_{angle:g}": "" for angle in EIGHT[:5]}, "a_0", "at least 4 positions; 3 are typed"),
            ({f"a_{angle:g}": "" for angle in EIGHT}, "a_0", "at least 4 positions; 0 are typed"),
            ({"low_mm": ""}, "low_mm", "Give the height"),
            ({"low_mm": "9000"}, "low_mm", "between 0 and 400 mm"),
            ({"b_0": "0.1"}, "b_45", "at least 4 positions; 1 are typed"),
            ({"step_um": "0"}, "step_um", "or more"),
            ({"step_um": ""}, "step_um", "smallest step"),
            ({"view": "side"}, "view", "valid choice"),
            ({"points": "5"}, "points", "valid choice"),
            ({"machine": "999999"}, "machine", "no such machine"),
            ({"taken_at": "2031-01-01T10:00"}, "taken_at", "not come yet"),
            ({"taken_at": "2026-02-30T10:00"}, "taken_at", "not a day and time"),
            ({"taken_at": "1950-01-01T10:00"}, "taken_at", "before 1980"),
            ({"a_90": "0.200"}, "odd_is_right", "3 o'clock, 60 mm above the dome, is far from the others"),
        ],
    )
    def test_what_cannot_be_is_refused_beside_its_field(self, site, bench, wrong, field, sentence):
        answer = bench.post("/counts/wall/enter/", typed(site, **wrong))
        assert answer.status_code == 422
        assert any(sentence in error for error in answer.context["form"].errors[field])
        assert sentence in page(answer)
        assert not WallSample.objects.exists()

    def test_a_second_height_without_readings_is_left_out(self, site, bench):
        assert bench.post("/counts/wall/enter/", typed(site, high_mm="60")).status_code == 302
        assert WallRing.objects.count() == 1

    def test_points_on_one_side_are_refused(self, site, bench):
        sent = typed(site, points="12") | {f"a_{angle:g}": "" for angle in EIGHT}
        sent |= {"a_0": "0.1", "a_30": "0.101", "a_60": "0.102", "a_90": "0.103"}
        answer = bench.post("/counts/wall/enter/", sent)
        assert (answer.status_code, "too close together" in page(answer)) == (422, True)

    def test_an_uneven_wall_is_stored_once_it_is_confirmed(self, site, bench):
        assert bench.post("/counts/wall/enter/", typed(site, a_90="0.2", odd_is_right="on")).status_code == 302
        assert WallRing.objects.get().state == "act"

    def test_other_positions_keep_what_is_typed(self, site, bench):
        sent = typed(site, points="4", show="1")
        whole = bench.post("/counts/wall/enter/", sent)
        part = bench.post("/counts/wall/enter/", sent, headers={"hx-request": "true"})
        for answer in (whole, part):
            assert answer.status_code == 200
            assert 'name="a_90"' in page(answer)
            assert 'value="0.1042"' in page(answer)
            assert 'name="a_45"' not in page(answer)
        assert "<html" not in page(part)
        assert not WallSample.objects.exists()

    def test_the_form_begins_as_the_last_sample_was_read(self, site, bench):
        bench.post("/counts/wall/enter/", typed(site, view="domer", low_mm="72", step_um="0.002"))
        shown = page(bench.get(f"/counts/wall/enter/?machine={site.one.pk}"))
        assert 'value="72"' in shown
        assert 'value="0.002"' in shown
        fresh = page(bench.get(f"/counts/wall/enter/?machine={site.two.pk}"))
        assert 'value="72"' not in fresh
        assert 'value="0.001"' in fresh

    def test_mechanics_and_the_bench_enter_viewers_look(self, site, mechanic, bench):
        assert services.enter(by=mechanic, at=NOW, can=can(site)).pk
        with pytest.raises(NotAllowed):
            services.enter(by=site.viewer, at=NOW, can=can(site, can="2"))
        bench.force_login(site.viewer)
        assert bench.get("/counts/wall/").status_code == 200
        assert "Enter a sample" not in page(bench.get("/counts/wall/"))
        assert bench.get("/counts/wall/enter/").status_code == 403


class TestCorrected:
    def test_a_correction_replaces_and_the_page_shows_what_it_said(self, site, bench):
        sample = services.enter(by=site.quality, at=NOW, can=can(site))
        shown = page(bench.get(f"/counts/wall/{sample.pk}/correct/"))
        assert 'value="0.104243"' in shown
        sent = typed(site, e=2.0, version=1)
        assert bench.post(f"/counts/wall/{sample.pk}/correct/", sent).status_code == 302
        sample.refresh_from_db()
        assert (sample.version, sample.rings.get().state) == (2, "good")
        assert WallReading.objects.count() == 8
        before = page(bench.get(f"/counts/wall/{sample.pk}/"))
        assert "0°: 0.1042, 45°: 0.1060" in before
        assert "0°: 0.1014" in before

    def test_the_second_of_two_sees_that_he_is_second(self, site, bench):
        sample = services.enter(by=site.quality, at=NOW, can=can(site))
        sent = typed(site, version=1)
        assert bench.post(f"/counts/wall/{sample.pk}/correct/", sent).status_code == 302
        again = bench.post(f"/counts/wall/{sample.pk}/correct/", typed(site, e=1.0, version=1))
        assert (again.status_code, "while you were at it" in page(again)) == (409, True)
        assert 'name="version" value="2"' in page(again)
        assert WallRing.objects.get().state == "look"
        assert bench.post(f"/counts/wall/{sample.pk}/correct/", typed(site, e=1.0, version=2)).status_code == 302

    def test_a_sample_cannot_become_a_can_that_is_there(self, site, bench):
        first = services.enter(by=site.quality, at=NOW, can=can(site, can="1"))
        second = services.enter(by=site.quality, at=NOW, can=can(site, can="2"))
        when = timezone.localtime(first.taken_at, dt.timezone(dt.timedelta(hours=2))).strftime("%Y-%m-%dT%H:%M")
        sent = typed(site, can="1", taken_at=when, version=1)
        answer = bench.post(f"/counts/wall/{second.pk}/correct/", sent)
        assert (answer.status_code, "stored already" in page(answer)) == (422, True)
        assert second.rings.count() == 1

    def test_taken_out_the_history_keeps_it(self, site, bench):
        sample = services.enter(by=site.quality, at=NOW, can=can(site))
        assert bench.post(f"/counts/wall/{sample.pk}/take-out/", {"version": 7}).status_code == 409
        assert bench.post(f"/counts/wall/{sample.pk}/take-out/", {"version": "x"}).status_code == 422
        assert bench.post(f"/counts/wall/{sample.pk}/take-out/", {"version": 1}).status_code == 302
        assert not WallReading.objects.exists()
        event = AuditEvent.objects.get(action="took out", object_type="wallsample")
        assert "0°: 0.1042" in event.before["wall at 60 mm"]
        with pytest.raises(Conflict):
            services.take_out(by=site.quality, at=NOW, sample=sample, version=1)

    def test_another_plants_sample_is_not_there(self, site, bench):
        sample = services.enter(by=site.quality, at=NOW, can=can(site))
        bench.force_login(factories.person("quality"))
        for path in ("", "correct/"):
            assert bench.get(f"/counts/wall/{sample.pk}/{path}").status_code == 404
        assert bench.post(f"/counts/wall/{sample.pk}/take-out/", {"version": 1}).status_code == 404

    def test_the_service_refuses_what_the_form_would(self, site):
        with pytest.raises(Refused, match="not come yet"):
            services.enter(by=site.quality, at=NOW, can=can(site, taken_at=NOW + dt.timedelta(days=1)))
        with pytest.raises(Refused, match="no reading"):
            services.enter(by=site.quality, at=NOW, can=can(site, rings=()))
        three = ((0.0, 100.0, "0.1"), (120.0, 101.0, "0.1"), (240.0, 102.0, "0.1"))
        with pytest.raises(Refused, match="at least 4 points"):
            services.enter(by=site.quality, at=NOW, can=can(site, rings=(Ring(60.0, three),)))


HEADING = (
    "machine,date,time,can,height_mm,view,unit,step,wall_12,wall_130,wall_3,wall_430,wall_6,wall_730,wall_9,wall_1030"
)


def line(machine="BM 1", date="2026-03-02", time="14:05", can="", height="60", view="open end", unit="mm", **more):
    values = [f"{um / 1000:.4f}" for um in wall(**{"e": 6.0, **more})]
    return ",".join([machine, date, time, can, height, view, unit, "0.001", *values])


def lines(*rows, heading=HEADING):
    return "\r\n".join([heading, *rows]) + "\r\n"


class TestFromAFile:
    def send(self, bench, content, **more):
        file = io.BytesIO(content if isinstance(content, bytes) else content.encode())
        file.name = "wall.csv"
        return bench.post("/counts/wall/file/", {"file": file, **more})

    def found(self, answer):
        return [(p.line, p.column, p.value, p.why) for p in answer.context["found"].problems]

    def test_looked_at_first_and_stored_when_said_so(self, site, bench):
        text = lines(line(), line(height="110", mean=150.0), line(machine="Line 1/BM 2", view="dome"))
        answer = self.send(bench, text)
        assert answer.status_code == 200
        assert len(answer.context["found"].new) == 2
        assert not WallSample.objects.exists()
        stored = bench.post("/counts/wall/file/", {"content": text, "store": "1", "key": "k"})
        assert stored["Location"] == "/counts/wall/"
        assert WallSample.objects.count() == 2
        assert WallSample.objects.get(machine=site.one).rings.count() == 2
        assert WallSample.objects.get(machine=site.two).rings.get().thin_deg == pytest.approx(135.0, abs=1.0)
        assert AuditEvent.objects.filter(action="read from a file").count() == 2
        assert bench.post("/counts/wall/file/", {"content": text, "store": "1", "key": "k"}).status_code == 422
        assert WallSample.objects.count() == 2

    def test_what_is_stored_already_is_told_from_what_differs(self, site, bench):
        bench.post("/counts/wall/file/", {"content": lines(line()), "store": "1"})
        again = self.send(bench, lines(line(), line(can="2")))
        assert (again.context["found"].same, len(again.context["found"].new)) == (1, 1)
        other = self.send(bench, lines(line(e=5.0)))
        assert "correct it on its own page" in self.found(other)[0][3]

    @pytest.mark.parametrize(
        ("row", "problem"),
        [
            (line(machine="BM 9"), (2, "machine", "BM 9", "no such machine in this plant")),
            (line(machine=""), (2, "machine", "", "empty")),
            (line(date="02.03.2026"), (2, "date", "02.03.2026", "not a date: write 2026-03-31")),
            (line(date="2999-01-01"), (2, "date", "2999-01-01", "a time that has not come yet")),
            (line(time="25:00"), (2, "time", "25:00", "not a time of day: write 14:05")),
            (
                line(date="2026-03-29", time="02:30"),
                (2, "time", "02:30", "the clocks went forward then: there is no such time"),
            ),
            (line(height="-1"), (2, "height_mm", "-1", "not 0 to 400")),
            (line(height="NaN"), (2, "height_mm", "NaN", "not a number")),
            (line(view="side"), (2, "view", "side", "write 'open end' or 'dome', the end you look at")),
            (line(unit="cm"), (2, "unit", "cm", "write mm, um or inch")),
            (line(unit="inch"), (2, "wall_12", "0.1042", "2646.68 µm is no such length: is the unit right?")),
            (line(unit="um"), (2, "wall_12", "0.1042", "0.1042 µm is no such length: is the unit right?")),
            (line() + ",1,2", (2, "", "1,2", "more cells than the heading has")),
            (line().rsplit(",", 5)[0], (2, "wall_…", "3", "fewer than four positions have a wall")),
        ],
    )
    def test_bad_cells_are_named_by_line_column_and_reason(self, site, bench, row, problem):
        answer = self.send(bench, lines(row, line(can="good")))
        assert self.found(answer) == [problem]
        assert problem[3] in page(answer)
        assert len(answer.context["found"].new) == 1

    def test_a_can_with_one_bad_line_is_left_out_whole(self, site, bench):
        answer = self.send(bench, lines(line(height="60"), line(height="x")))
        assert [problem[0] for problem in self.found(answer)] == [2, 3]
        assert not answer.context["found"].new
        assert bench.post("/counts/wall/file/", {"content": lines(line(height="x")), "store": "1"}).status_code == 422

    def test_lines_of_one_can_must_go_together(self, site, bench):
        twice = self.send(bench, lines(line(), line()))
        assert self.found(twice) == [(3, "height_mm", "60", "this can has this height twice")]
        views = self.send(bench, lines(line(), line(height="110", view="dome")))
        assert "must be those of line 2" in self.found(views)[0][3]
        three = self.send(bench, lines(*(line(height=str(h)) for h in (50, 70, 90))))
        assert "at most 2 heights" in self.found(three)[0][3]

    @pytest.mark.parametrize(
        ("content", "sentence"),
        [
            (b"   ", "The file is empty"),
            (b"PK\x03\x04\x00\x00", "This is not a CSV"),
            (b"\xff\xfeabc,d", "not UTF-8"),
            ("hello", "Missing in the first line: machine, date"),
            (lines(line(), heading=HEADING.replace("wall_130", "wall_3")), "stands more than once"),
            (lines(line(), heading=HEADING.replace("wall_130", "wall_13")), "is no clock position"),
            ("machine,date,time,height_mm,view,unit,wall_12,wall_3,wall_6\n", "at least four clock positions"),
            (lines(*[line(can=str(n)) for n in range(1001)]), "more than 1000 lines"),
            (b"a" * 600_000, "more than 500 kB"),
        ],
    )
    def test_a_file_that_is_none_is_refused_in_a_sentence(self, site, bench, content, sentence):
        answer = self.send(bench, content)
        assert answer.status_code == 422
        assert sentence in page(answer)

    def test_no_file_and_no_lines(self, site, bench):
        assert "Choose a file" in page(bench.post("/counts/wall/file/", {}))
        empty = self.send(bench, b"")
        assert (empty.status_code, "0 bytes" in page(empty)) == (422, True)

    def test_semicolons_and_decimal_commas(self, site, bench):
        text = lines(line()).replace(",", ";").replace("0.", "0,")
        assert len(self.send(bench, text).context["found"].new) == 1

    def test_the_template_is_read_back(self, site, bench):
        heading = bench.get("/counts/wall/template.csv").content.decode("utf-8-sig").strip()
        cells = dict(zip(HEADING.split(","), line().split(","), strict=True))
        row = ",".join(cells.get(name, "") for name in heading.split(","))
        assert len(self.send(bench, f"{heading}\n{row}\n").context["found"].new) == 1


def asked(client, path):
    with CaptureQueriesContext(connection) as seen:
        assert client.get(path).status_code == 200
    return len(seen)


def many(site, number):
    """Samples of the machine, one an hour, without going through the form."""
    begun = NOW - dt.timedelta(days=200)
    samples = WallSample.objects.bulk_create(
        WallSample(
            machine=site.one,
            taken_at=begun + dt.timedelta(hours=hour),
            step_um=1.0,
            unit="mm",
            by=site.quality,
            at=NOW,
        )
        for hour in range(number)
    )
    kinds = {"state": "good", "good_um": 7.5, "look_um": 10.0, "act_um": 12.5, "algorithm": "wall 1"}
    WallRing.objects.bulk_create(
        WallRing(
            sample=sample, height_mm=60.0, mean_um=100.0, x_um=3.0, y_um=0.0, size_um=3.0, expanded_um=1.0,
            thin_deg=270.0, thin_within_deg=20.0, range_um=6.0, judged_um=6.0, **kinds,
        )
        for sample in samples
    )  # fmt: skip


def test_the_pages_ask_the_database_no_more_for_many_samples(site, bench):
    sample = services.enter(by=site.quality, at=NOW, can=can(site))
    many(site, 9)
    paths = ("/counts/wall/", f"/counts/wall/{sample.pk}/", f"/counts/wall/enter/?machine={site.one.pk}")
    few = [asked(bench, path) for path in paths]
    many_more = Site.__new__(Site)
    many_more.one, many_more.quality = site.two, site.quality
    many(many_more, 990)
    assert [asked(bench, path) for path in paths] == few


NASTY = [
    "",
    " ",
    "\x00",
    "NaN",
    "1e308",
    "-1",
    "9" * 40,
    "<script>",
    "\u202e",
    "١٢٣",
    "0.1",
    "60",
    "2026-03-02T10:00",
]
texts = st.one_of(st.sampled_from(NASTY), st.text(st.characters(exclude_categories=["Cs"]), max_size=60))
FIELDS = (
    "machine",
    "taken_at",
    "can",
    "view",
    "step_um",
    "points",
    "low_mm",
    "high_mm",
    "note",
    "a_0",
    "a_90",
    "b_0",
)
fuzz = settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)


@fuzz
@given(wrong=st.fixed_dictionaries({}, optional=dict.fromkeys((*FIELDS, "version", "key", "show"), texts)))
def test_whatever_is_typed_is_answered(site, bench, wrong):
    assert bench.post("/counts/wall/enter/", {**typed(site), **wrong}).status_code in {200, 302, 422}


@fuzz
@given(rows=st.lists(st.lists(texts, max_size=18), max_size=4), joint=st.sampled_from([",", ";", "\t"]))
def test_whatever_is_pasted_is_answered(site, bench, rows, joint):
    text = lines(*(joint.join(cell.replace("\n", " ") for cell in row) for row in rows)).replace(",", joint)
    answer = bench.post("/counts/wall/file/", {"content": text, "store": "1"})
    assert answer.status_code in {200, 302, 422}
