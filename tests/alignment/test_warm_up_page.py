"""Warm-up: minutes and oil are told with a capture, and captures of one warm-up stand side by side on one page."""

import pytest

from linelog.alignment.models import Capture
from linelog.web.models import AuditEvent
from tests.alignment.capturing import Site, as_csv, frame

pytestmark = pytest.mark.django_db
CSV = as_csv(frame())


@pytest.fixture
def site():
    return Site()


@pytest.fixture
def mechanic(site, client):
    client.force_login(site.mechanic)
    return client


def test_minutes_and_oil_come_with_a_capture_and_into_its_history(site, mechanic):
    site.send(mechanic, CSV, minutes_since_start="12,5", oil_c="41.5", fahrenheit="False")
    capture = Capture.objects.get()
    assert (capture.minutes_since_start, capture.oil_c) == (12.5, 41.5)
    after = AuditEvent.objects.get(action="sent capture").after
    assert (after["minutes_since_start"], after["oil_c"]) == (12.5, 41.5)


def test_both_may_be_left_empty(site, mechanic):
    site.send(mechanic, CSV)
    capture = Capture.objects.get()
    assert (capture.minutes_since_start, capture.oil_c) == (None, None)


def test_oil_typed_in_fahrenheit_is_kept_in_celsius_and_by_what_the_form_was_shown_in(site, mechanic):
    """104 °F is 40 °C (NIST SP 811, B.8)."""
    site.plant.temperature_in = "F"
    site.plant.save()
    from_page = mechanic.get(f"/visits/captures/of/{site.machine.pk}/").content.decode()
    assert "Oil temperature (°F)" in from_page
    assert '<input type="hidden" name="fahrenheit" value="True"' in from_page
    site.send(mechanic, CSV, oil_c="104", fahrenheit="True")
    assert Capture.objects.get().oil_c == pytest.approx(40.0)


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        ({"minutes_since_start": "-1"}, "This must be between 0 and 10080 minutes"),
        ({"minutes_since_start": "10081"}, "leave it empty where it is not known"),
        ({"minutes_since_start": "an hour"}, "is not a number."),
        ({"oil_c": "300"}, "This must be between −40\u202f°C and 200\u202f°C."),
        ({"oil_c": "nan"}, "is not a number."),
    ],
)
def test_what_is_no_time_or_temperature_is_refused_where_it_was_typed(site, mechanic, typed, sentence):
    answer = site.send(mechanic, CSV, note="kept words", **typed)
    assert answer.status_code == 422
    page = answer.content.decode()
    assert sentence in page
    assert "kept words" in page
    assert not Capture.objects.exists()
