"""Warm-up: minutes and oil are told with a capture, and captures of one warm-up stand side by side on one page."""

import math
from dataclasses import replace
from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from linelog.alignment.captures.warm_up import series_of, tell
from linelog.alignment.models import Capture
from linelog.alignment.services import captures as services
from linelog.web.models import AuditEvent
from linelog.web.plotly import untyped
from tests.alignment.capturing import LIMIT, NOW, SHORT, Site, as_csv, frame

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


MINUTES = (5, 20, 45, 80, 130)
STEADY, AMPLITUDE, TAU = (-6.0, 9.0), (5.0, -34.0), 36.0


def made(site, minutes, *, told=None, start=NOW, oil=None, steady=STEADY, strokes=60.0):
    """Store a capture so many minutes after the start; its offset is known, its file worked out by the program."""
    lag = math.exp(-minutes / TAU)
    offset = [end + amplitude * lag for end, amplitude in zip(steady, AMPLITUDE, strict=True)]
    # The ram lies at the negative of the offset; forward it lies half the split to one side.
    place = tuple(-at - half / 2.0 for at, half in zip(offset, SHORT.split_um, strict=True))
    scenario = replace(SHORT, strokes=strokes, place_um=place, scatter_um=2.0, memory=0.2, seed=int(minutes) + 7)
    recorded = start + timedelta(minutes=minutes)
    known = services.Recorded(site.setup, recorded, "", minutes if told is None else told, oil)
    file = SimpleUploadedFile(f"{minutes}.csv", as_csv(frame(scenario)))
    return services.receive(
        by=site.mechanic, at=recorded, machine=site.machine, recorded=known, file=file, limit_bytes=LIMIT
    )


def page_of(client, site, query=""):
    return client.get(reverse("alignment:warm_up", args=[site.machine.pk]) + query)


def test_without_minutes_the_page_says_what_is_needed_and_how_many_stand_apart(site, mechanic):
    assert "No capture of this machine tells how long it had run." in page_of(mechanic, site).content.decode()
    site.receive(CSV)
    assert "1 capture of this machine does not tell the minutes" in page_of(mechanic, site).content.decode()
    figures = mechanic.get(reverse("alignment:warm_up_figures", args=[site.machine.pk]))
    assert figures.json() == {}


def test_a_warm_up_tends_to_the_value_it_was_made_with_and_page_and_chart_say_the_same(site, mechanic):
    for minutes in MINUTES:
        made(site, minutes, oil=30.0 + minutes / 10.0)
    [series] = series_of(site.machine, site.mechanic)
    told = tell(series)
    [up] = [one for one in told.trends if (one.phase, one.axis) == ("forward", 1)]
    curve = up.found.curve
    assert curve.steady_low_um <= STEADY[1] <= curve.steady_high_um
    assert curve.tau_low_min <= TAU <= curve.tau_high_min
    page = page_of(mechanic, site).content.decode()
    assert f"{curve.steady_um / 1000.0:+.4f}".replace("-", "−") in page
    assert "Measure it running from" in page
    assert "5 in 125 min" in page
    assert "43\u202f°C" in page
    charts = mechanic.get(reverse("alignment:warm_up_figures", args=[site.machine.pk])).json()
    assert set(charts) == {"minutes", "oil"}
    names = [one["name"] for one in charts["minutes"]["data"]]
    assert {"Forward (5 captures)", "Forward: curve", "Forward: tends to", "Limit of the offset"} <= set(names)
    stars = [one for one in charts["minutes"]["data"] if one["name"] == "Forward: tends to" and one["yaxis"] == "y2"]
    assert untyped(stars[0]["y"])[0] == pytest.approx(curve.steady_um / 1000.0)
    marks = next(one for one in charts["oil"]["data"] if one["name"] == "Forward (5 captures)")
    assert untyped(marks["x"]).tolist() == [30.5, 32.0, 34.5, 38.0, 43.0]


def test_what_is_unsure_alone_is_less_than_the_whole_and_the_zeros_are_shared(site):
    """Root of squares of both is the uncertainty that the capture states (JCGM 100, 5.1.2)."""
    site.setup.probes.update(zero_u_um=3.0)
    for minutes in MINUTES:
        made(site, minutes)
    told = tell(series_of(site.machine, site.mechanic)[0])
    for point in told.points:
        if point.phase == "forward":
            # Four probes at right angles: the zero of the mean along an axis is known to 3/sqrt 2.
            rest = math.sqrt(point.u_um[0] ** 2 - point.own_um[0] ** 2)
            assert rest == pytest.approx(3.0 / math.sqrt(2.0), rel=0.1)
    [up] = [one for one in told.trends if (one.phase, one.axis) == ("forward", 1)]
    assert up.found.curve.steady_high_um - up.found.curve.steady_um > 2.0 * 3.0 / math.sqrt(2.0)


def test_three_captures_say_what_is_missing_and_two_starts_are_two_warm_ups(site, mechanic):
    for minutes in MINUTES[:3]:
        made(site, minutes)
    earlier = made(site, 60, start=NOW - timedelta(days=3))
    page = page_of(mechanic, site).content.decode()
    assert "It takes 4 captures at different times of one warm-up; so far: 3." in page
    assert f"?of={earlier.pk}" in page
    other = page_of(mechanic, site, f"?of={earlier.pk}").content.decode()
    assert "one warm-up; so far: 1." in other
    for nonsense in ("?of=999999", "?of=x"):
        assert page_of(mechanic, site, nonsense).status_code == 404


def test_a_capture_set_aside_leaves_the_warm_up(site, mechanic):
    captures = [made(site, minutes) for minutes in MINUTES[:4]]
    assert len(series_of(site.machine, site.mechanic)[0].captures) == 4
    services.set_aside(by=site.mechanic, at=NOW, capture=captures[2], why="wrong ring", version=captures[2].version)
    assert len(series_of(site.machine, site.mechanic)[0].captures) == 3


def test_oil_is_charted_in_fahrenheit_where_the_plant_reads_it(site, mechanic):
    site.plant.temperature_in = "F"
    site.plant.save()
    made(site, 5, oil=40.0)
    charts = mechanic.get(reverse("alignment:warm_up_figures", args=[site.machine.pk])).json()
    assert charts["oil"]["layout"]["xaxis"]["title"]["text"] == "Oil temperature, °F"
    marks = next(one for one in charts["oil"]["data"] if one["name"].startswith("Forward"))
    assert untyped(marks["x"])[0] == pytest.approx(104.0)
    assert "104\u202f°F" in page_of(mechanic, site).content.decode()
