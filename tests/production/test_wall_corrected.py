"""Wall samples corrected, taken out and looked at: what they said before stays in the history."""

import datetime as dt

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from linelog.production.models import WallReading, WallRing, WallSample
from linelog.production.services import walls as services
from linelog.production.walls import Ring
from linelog.web.errors import Conflict, Refused
from linelog.web.models import AuditEvent
from tests import factories
from tests.production.helpers import NOW
from tests.production.walling import can, page, typed

pytestmark = pytest.mark.django_db


class TestCorrected:
    def test_a_correction_replaces_and_the_page_shows_what_it_said(self, site, quality):
        sample = services.enter(by=site.quality, at=NOW, can=can(site))
        shown = page(quality.get(f"/counts/wall/{sample.pk}/correct/"))
        assert 'value="0.104243"' in shown
        sent = typed(site, e=2.0, version=1)
        assert quality.post(f"/counts/wall/{sample.pk}/correct/", sent).status_code == 302
        sample.refresh_from_db()
        assert (sample.version, sample.rings.get().state) == (2, "good")
        assert WallReading.objects.count() == 8
        before = page(quality.get(f"/counts/wall/{sample.pk}/"))
        assert "0°: 0.1042, 45°: 0.1060" in before
        assert "0°: 0.1014" in before

    def test_the_second_of_two_sees_that_he_is_second(self, site, quality):
        sample = services.enter(by=site.quality, at=NOW, can=can(site))
        sent = typed(site, version=1)
        assert quality.post(f"/counts/wall/{sample.pk}/correct/", sent).status_code == 302
        again = quality.post(f"/counts/wall/{sample.pk}/correct/", typed(site, e=1.0, version=1))
        assert (again.status_code, "while you were at it" in page(again)) == (409, True)
        assert 'name="version" value="2"' in page(again)
        assert WallRing.objects.get().state == "look"
        assert quality.post(f"/counts/wall/{sample.pk}/correct/", typed(site, e=1.0, version=2)).status_code == 302

    def test_a_sample_cannot_become_a_can_that_is_there(self, site, quality):
        first = services.enter(by=site.quality, at=NOW, can=can(site, can="1"))
        second = services.enter(by=site.quality, at=NOW, can=can(site, can="2"))
        when = timezone.localtime(first.taken_at, dt.timezone(dt.timedelta(hours=2))).strftime("%Y-%m-%dT%H:%M")
        sent = typed(site, can="1", taken_at=when, version=1)
        answer = quality.post(f"/counts/wall/{second.pk}/correct/", sent)
        assert (answer.status_code, "stored already" in page(answer)) == (422, True)
        assert second.rings.count() == 1

    def test_taken_out_the_history_keeps_it(self, site, quality):
        sample = services.enter(by=site.quality, at=NOW, can=can(site))
        assert quality.post(f"/counts/wall/{sample.pk}/take-out/", {"version": 7}).status_code == 409
        assert quality.post(f"/counts/wall/{sample.pk}/take-out/", {"version": "x"}).status_code == 422
        assert quality.post(f"/counts/wall/{sample.pk}/take-out/", {"version": 1}).status_code == 302
        assert not WallReading.objects.exists()
        event = AuditEvent.objects.get(action="took out", object_type="wallsample")
        assert "0°: 0.1042" in event.before["wall at 60 mm"]
        with pytest.raises(Conflict):
            services.take_out(by=site.quality, at=NOW, sample=sample, version=1)

    def test_another_plants_sample_is_not_there(self, site, quality):
        sample = services.enter(by=site.quality, at=NOW, can=can(site))
        quality.force_login(factories.person("quality"))
        for path in ("", "correct/"):
            assert quality.get(f"/counts/wall/{sample.pk}/{path}").status_code == 404
        assert quality.post(f"/counts/wall/{sample.pk}/take-out/", {"version": 1}).status_code == 404

    def test_the_service_refuses_what_the_form_would(self, site):
        with pytest.raises(Refused, match="not come yet"):
            services.enter(by=site.quality, at=NOW, can=can(site, taken_at=NOW + dt.timedelta(days=1)))
        with pytest.raises(Refused, match="no reading"):
            services.enter(by=site.quality, at=NOW, can=can(site, rings=()))
        three = ((0.0, 100.0, "0.1"), (120.0, 101.0, "0.1"), (240.0, 102.0, "0.1"))
        with pytest.raises(Refused, match="at least 4 points"):
            services.enter(by=site.quality, at=NOW, can=can(site, rings=(Ring(60.0, three),)))


def asked(client, path):
    with CaptureQueriesContext(connection) as seen:
        assert client.get(path).status_code == 200
    return len(seen)


def many(machine, by, number):
    """Samples of a machine, one an hour, without going through the form."""
    begun = NOW - dt.timedelta(days=200)
    samples = WallSample.objects.bulk_create(
        WallSample(
            machine=machine,
            taken_at=begun + dt.timedelta(hours=hour),
            step_um=1.0,
            unit="mm",
            by=by,
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


def test_the_pages_ask_the_database_no_more_for_many_samples(site, quality):
    sample = services.enter(by=site.quality, at=NOW, can=can(site))
    many(site.one, site.quality, 9)
    paths = ("/counts/wall/", f"/counts/wall/{sample.pk}/", f"/counts/wall/enter/?machine={site.one.pk}")
    few = [asked(quality, path) for path in paths]
    many(site.two, site.quality, 990)
    assert [asked(quality, path) for path in paths] == few
