"""Wall samples as they are typed: what they come to, and what is refused."""

import datetime as dt
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linelog.plant.models import Fitting, Plant, ToolingSet
from linelog.production.models import WallReading, WallRing, WallSample
from linelog.production.services import walls as services
from linelog.web.errors import NotAllowed
from linelog.web.models import AuditEvent
from tests.production.helpers import NOW
from tests.production.walling import EIGHT, TEXTS, can, fuzz, page, typed, wall

pytestmark = pytest.mark.django_db


class TestTyped:
    def test_a_sample_is_stored_with_its_side_and_its_verdict(self, site, quality):
        """Derived: e = 6 um toward 1:30 makes the wall thin at 7:30 and largest less smallest 12 um."""
        answer = quality.post("/counts/wall/enter/", typed(site))
        sample = WallSample.objects.get()
        assert answer["Location"] == f"/counts/wall/{sample.pk}/"
        assert sample.taken_at == dt.datetime(2026, 3, 2, 13, 5, tzinfo=dt.UTC)  # 14:05 in Berlin, in winter
        ring = sample.rings.get()
        assert (ring.mean_um, ring.size_um) == pytest.approx((100.0, 6.0), abs=0.06)
        assert ring.thin_deg == pytest.approx(225.0, abs=1.0)
        assert ring.judged_um == pytest.approx(12.0, abs=0.12)
        assert (ring.state, ring.act_um) == ("look", 12.5)
        shown = page(quality.get(answer["Location"]))
        assert "Thin side at 7:30 o'clock" in shown
        assert "where the punch moved to" in shown
        assert "Take two more cans" in shown
        assert WallReading.objects.order_by("angle_deg").first().typed == "0.1042"
        event = AuditEvent.objects.get(object_type="wallsample")
        assert (event.action, event.plant_id) == ("entered", site.plant.pk)
        assert "0°: 0.1042" in event.after["wall at 60 mm"]

    def test_read_at_the_dome_three_and_nine_change_places(self, site, quality):
        quality.post("/counts/wall/enter/", typed(site, view="domer"))
        assert WallRing.objects.get().thin_deg == pytest.approx(135.0, abs=1.0)

    def test_in_the_unit_of_the_person(self, site, quality):
        site.quality.unit = "inch"
        site.quality.save()
        inches = {f"a_{angle:g}": f"{um / 25400:.6f}" for angle, um in zip(EIGHT, wall(), strict=True)}
        assert quality.post("/counts/wall/enter/", typed(site, step_um="0.00005", **inches)).status_code == 302
        assert WallRing.objects.get().mean_um == pytest.approx(100.0, abs=0.02)
        assert (WallSample.objects.get().unit, WallSample.objects.get().step_um) == ("inch", pytest.approx(1.27))

    def test_the_tools_on_the_machine_then_are_noted(self, site, quality):
        first, second = (ToolingSet.objects.create(plant=site.plant, name=f"Set {n}") for n in (1, 2))
        change = dt.datetime(2026, 3, 2, 14, 0, tzinfo=dt.UTC)  # 15:00 in Berlin
        begun = change - dt.timedelta(days=30)
        Fitting.objects.create(
            tooling_set=first, machine=site.one, fitted_at=begun, removed_at=change, reason_out="Worn"
        )
        Fitting.objects.create(tooling_set=second, machine=site.one, fitted_at=change)
        for clock, name in (("14:05", first), ("15:05", second)):
            quality.post("/counts/wall/enter/", typed(site, taken_at=f"2026-03-02T{clock}"))
            assert WallSample.objects.order_by("-pk").first().tooling_set == name
        quality.post("/counts/wall/enter/", typed(site, taken_at="2026-01-02T12:00"))
        assert WallSample.objects.order_by("-pk").first().tooling_set is None

    def test_two_heights_hint_at_a_tilt(self, site, quality):
        upper = {f"b_{a:g}": f"{um / 1000:.4f}" for a, um in zip(EIGHT, wall(6.0, 225.0, 150.0), strict=True)}
        answer = quality.post("/counts/wall/enter/", typed(site, high_mm="110", **upper))
        sample = WallSample.objects.get()
        assert sample.rings.count() == 2
        size = math.hypot(sample.tilt_x_mm_per_m, sample.tilt_y_mm_per_m)
        assert size == pytest.approx(12.0 / 50.0, rel=0.02)  # derived: from 6 um one way to 6 the other over 50 mm
        assert "hints at a tilted tool pack" in page(quality.get(answer["Location"]))

    def test_two_heights_that_agree_say_so_whatever_their_order(self, site, quality):
        upper = {f"b_{a:g}": f"{um / 1000:.4f}" for a, um in zip(EIGHT, wall(6.0, 45.0, 150.0), strict=True)}
        answer = quality.post("/counts/wall/enter/", typed(site, low_mm="110", high_mm="60", **upper))
        assert [ring.mean_um > 120 for ring in WallRing.objects.order_by("height_mm")] == [True, False]
        assert "The two heights agree" in page(quality.get(answer["Location"]))

    def test_the_plants_own_levels_judge(self, site, quality):
        Plant.objects.filter(pk=site.plant.pk).update(wall_good_um=20.0, wall_look_um=30.0, wall_act_um=40.0)
        quality.post("/counts/wall/enter/", typed(site))
        assert WallRing.objects.get().state == "good"

    def test_the_same_form_sent_twice_is_stored_once(self, site, quality):
        for _ in range(2):
            assert quality.post("/counts/wall/enter/", typed(site, key="one")).status_code == 302
        assert WallSample.objects.count() == 1
        other = quality.post("/counts/wall/enter/", typed(site, key="one", note="other"))
        assert (other.status_code, "other content" in page(other)) == (422, True)

    def test_another_can_of_the_minute_needs_a_number(self, site, quality):
        quality.post("/counts/wall/enter/", typed(site))
        answer = quality.post("/counts/wall/enter/", typed(site, e=2.0))
        assert (answer.status_code, "stored already" in page(answer)) == (422, True)
        assert quality.post("/counts/wall/enter/", typed(site, e=2.0, can="2")).status_code == 302

    def test_four_positions_do_and_empty_ones_are_left_out(self, site, quality):
        few = {f"a_{angle:g}": "" for angle in (45.0, 135.0, 225.0, 315.0)}
        assert quality.post("/counts/wall/enter/", typed(site, **few)).status_code == 302
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
    def test_what_cannot_be_is_refused_beside_its_field(self, site, quality, wrong, field, sentence):
        answer = quality.post("/counts/wall/enter/", typed(site, **wrong))
        assert answer.status_code == 422
        assert any(sentence in error for error in answer.context["form"].errors[field])
        assert sentence in page(answer)
        assert not WallSample.objects.exists()

    def test_a_second_height_without_readings_is_left_out(self, site, quality):
        assert quality.post("/counts/wall/enter/", typed(site, high_mm="60")).status_code == 302
        assert WallRing.objects.count() == 1

    def test_points_on_one_side_are_refused(self, site, quality):
        sent = typed(site, points="12") | {f"a_{angle:g}": "" for angle in EIGHT}
        sent |= {"a_0": "0.1", "a_30": "0.101", "a_60": "0.102", "a_90": "0.103"}
        answer = quality.post("/counts/wall/enter/", sent)
        assert (answer.status_code, "too close together" in page(answer)) == (422, True)

    def test_an_uneven_wall_is_stored_once_it_is_confirmed(self, site, quality):
        assert quality.post("/counts/wall/enter/", typed(site, a_90="0.2", odd_is_right="on")).status_code == 302
        assert WallRing.objects.get().state == "act"

    def test_other_positions_keep_what_is_typed(self, site, quality):
        sent = typed(site, points="4", show="1")
        whole = quality.post("/counts/wall/enter/", sent)
        part = quality.post("/counts/wall/enter/", sent, headers={"hx-request": "true"})
        for answer in (whole, part):
            assert answer.status_code == 200
            assert 'name="a_90"' in page(answer)
            assert 'value="0.1042"' in page(answer)
            assert 'name="a_45"' not in page(answer)
        assert "<html" not in page(part)
        assert not WallSample.objects.exists()

    @pytest.mark.parametrize("points", ["16", "999999999", "9" * 40, "9" * 5000, "٩٩٩٩٩٩٩٩٩"])
    def test_no_more_positions_than_can_be_chosen_however_many_are_asked_for(self, site, quality, points):
        """A form of as many fields as somebody types took all the memory of the server."""
        sample = services.enter(by=site.quality, at=NOW, can=can(site))
        sent, enter = {**typed(site), "points": points}, "/counts/wall/enter/"
        shown = [quality.get(enter, {"points": points})]
        for path in (enter, f"/counts/wall/{sample.pk}/correct/"):
            shown += [quality.post(path, sent), quality.post(path, {**sent, "show": "1"})]
        assert [len(answer.context["form"].angles) for answer in shown] == [8] * 5
        assert [answer.status_code for answer in shown] == [200, 422, 200, 422, 200]

    def test_the_form_begins_as_the_last_sample_was_read(self, site, quality):
        quality.post("/counts/wall/enter/", typed(site, view="domer", low_mm="72", step_um="0.002"))
        shown = page(quality.get(f"/counts/wall/enter/?machine={site.one.pk}"))
        assert 'value="72"' in shown
        assert 'value="0.002"' in shown
        fresh = page(quality.get(f"/counts/wall/enter/?machine={site.two.pk}"))
        assert 'value="72"' not in fresh
        assert 'value="0.001"' in fresh

    def test_mechanics_and_the_quality_enter_viewers_look(self, site, mechanic, quality):
        assert services.enter(by=mechanic, at=NOW, can=can(site)).pk
        with pytest.raises(NotAllowed):
            services.enter(by=site.viewer, at=NOW, can=can(site, can="2"))
        quality.force_login(site.viewer)
        assert quality.get("/counts/wall/").status_code == 200
        assert "Enter a sample" not in page(quality.get("/counts/wall/"))
        assert quality.get("/counts/wall/enter/").status_code == 403


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


@fuzz
@given(wrong=st.fixed_dictionaries({}, optional=dict.fromkeys((*FIELDS, "version", "key", "show"), TEXTS)))
def test_whatever_is_typed_is_answered(site, quality, wrong):
    assert quality.post("/counts/wall/enter/", {**typed(site), **wrong}).status_code in {200, 302, 422}
