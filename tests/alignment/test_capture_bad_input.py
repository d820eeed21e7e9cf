"""Whatever is wrong with a capture is told in one sentence on its page, with the line or time where it can be.

A file that cannot be a capture is refused beside its field and not kept; what shows only in its samples is told on
the capture's own page, and nothing of it is a result.
"""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from django.conf import settings
from django.urls import reverse

from linelog.alignment.models import Capture, CaptureValue
from tests.alignment.capturing import SHORT, Site, as_csv, as_parquet, frame
from tests.calc.capture.known import RING, with_probe

pytestmark = pytest.mark.django_db
TABLE = frame()
CSV = as_csv(TABLE)
ONE_SENTENCE = re.compile(r"^[^.\n]+(\.\d[^.\n]*|\.csv[^.\n]*)*\.$")


@pytest.fixture
def site():
    return Site()


@pytest.fixture
def client(site, signed_in):
    return signed_in(site.mechanic)


def shown(client, answer):
    """The page that a sent file leads to."""
    assert answer.status_code == 302, answer.content.decode()[-3000:]
    return client.get(answer["Location"]).content.decode()


def changed(**columns) -> pl.DataFrame:
    return TABLE.with_columns(**{name: pl.Series(values) for name, values in columns.items()})


def kept_files() -> list[Path]:
    return [path for path in (Path(settings.MEDIA_ROOT) / "captures").rglob("*") if path.is_file()]


# What is seen at once: refused beside the field, nothing kept.
ZIP = b"PK\x03\x04" + bytes(2000)
AT_ONCE = {
    "0 bytes": (b"", "run.csv", "The file is empty (0 bytes): export it again."),
    "a parquet named csv": (as_parquet(TABLE), "run.csv", "The file is named .csv but holds PARQUET"),
    "a csv named parquet": (CSV, "run.parquet", "The file is named .parquet but holds CSV"),
    "a spreadsheet": (ZIP, "run.csv", "The file holds a ZIP archive or a spreadsheet"),
    "a picture": (b"\x89PNG" + bytes(900), "run.csv", "The file holds a picture"),
    "a program": (b"MZ" + bytes(900), "run.parquet", "The file holds a program"),
    "a parquet cut short": (as_parquet(TABLE)[:-2000], "run.parquet", "The Parquet file is cut short"),
    "a missing channel": (
        as_csv(TABLE.drop("p90")),
        "run.csv",
        "The file has no column p90; its columns are time, p0",
    ),
    "a missing channel of a parquet": (as_parquet(TABLE.drop("pulse")), "r.parquet", "The file has no column pulse"),
    "words": (b"no table at all\n" * 40, "run.csv", "The file has no column time, pulse"),
}


@pytest.mark.parametrize("fault", AT_ONCE)
def test_what_shows_at_once_is_refused_beside_the_file_and_not_kept(site, client, fault):
    content, name, says = AT_ONCE[fault]
    before = kept_files()
    answer = site.send(client, content, name)
    page = answer.content.decode()
    assert answer.status_code == 422
    wrong = re.findall(r'<p class="wrong" id="id_file_error">([^<]+)</p>', page)
    assert len(wrong) == 1
    assert wrong[0].startswith(says)
    assert not Capture.objects.exists()
    assert kept_files() == before


def shuffled() -> bytes:
    rows = CSV.splitlines(keepends=True)
    rows[800], rows[1200] = rows[1200], rows[800]
    return b"".join(rows)


def letters() -> bytes:
    rows = CSV.splitlines(keepends=True)
    rows[900] = rows[900].replace(b",", b",x", 1)
    return b"".join(rows)


def coarse_clock() -> bytes:
    """Every tenth time stamp is that of the sample before."""
    time = TABLE["time"].to_numpy().copy()
    time[10::10] = time[9:-1:10]
    return as_csv(changed(time=time))


def with_strokes(count: float) -> bytes:
    return as_csv(frame(replace(SHORT, strokes=count)))


# What shows in the samples: told on the capture's page, no result.
IN_THE_SAMPLES = {
    "samples out of order": (shuffled(), r"Line 802: time runs backwards, from [\d.]+ s to [\d.]+ s; the samples"),
    "many time stamps twice": (
        coarse_clock(),
        r"Line 12 has the same time as the sample before it, and so have [\d,]+ more",
    ),
    "no number": (letters(), r"Line 901, column p0: .* is not a number"),
    "one stroke only": (with_strokes(2.2), r"Only [12] whole strokes? (was|were) found, \d of use: 3 are the least"),
    "no stroke": (as_csv(changed(pulse=np.zeros(TABLE.height))), r"No whole stroke was found by pulse"),
    "no time": (as_csv(changed(time=[None, *TABLE["time"].to_list()[1:]])), r"Line 2 has no time"),
    "milliseconds as seconds": (
        as_csv(changed(time=TABLE["time"].to_numpy() * 1000.0)),
        r"check the unit of the time",
    ),
    "all probes at their ends": (
        as_csv(changed(**{name: np.full(TABLE.height, 5.0) for name in RING.columns})),
        r"stand still|clipped",
    ),
}


@pytest.mark.parametrize("fault", IN_THE_SAMPLES)
def test_what_shows_in_the_samples_is_told_on_the_page_and_gives_no_result(site, client, fault):
    content, says = IN_THE_SAMPLES[fault]
    page = shown(client, site.send(client, content))
    capture = Capture.objects.get()
    assert capture.state == "refused"
    assert re.search(says, capture.sentence), capture.sentence
    assert ONE_SENTENCE.match(capture.sentence), capture.sentence
    assert capture.sentence in page.replace("&#x27;", "'")
    assert "There is no result; the file is kept." in page
    assert capture.result is None
    assert not CaptureValue.objects.exists()
    assert Path(capture.file.path).read_bytes() == content


def clipped() -> bytes:
    ring = with_probe(RING, 1, high=0.3)
    return as_csv(frame(SHORT, ring))


def dropped() -> bytes:
    p90 = TABLE["p90"].to_numpy().copy()
    p90[1000:1400] = np.nan
    return as_csv(changed(p90=[None if np.isnan(one) else one for one in p90]))


def hanging() -> bytes:
    p90 = TABLE["p90"].to_numpy().copy()
    p90[1000:1400] = p90[1000]
    return as_csv(changed(p90=p90))


WARNED_OF = {
    "a file cut in the middle of a line": (CSV[:-12], "stops in the middle of line"),
    "a few time stamps twice": (
        as_csv(changed(time=[*TABLE["time"][:50], TABLE["time"][49], *TABLE["time"][51:]])),
        "1 samples repeat the time before them",
    ),
    "a gap": (as_csv(pl.concat([TABLE[:2000], TABLE[2100:]])), "Samples are missing in 1 places, the first after"),
    "a clipped probe": (clipped(), "Probe p90 was at the end of its range in"),
    "a probe without samples for a while": (dropped(), "Probe p90 dropped out in"),
    "a probe that hangs": (hanging(), "Probe p90 dropped out in"),
    "a speed that wanders": (
        as_csv(frame(replace(SHORT, strokes=120.0, wander=0.1))),
        "The speed was not steady",
    ),
    "few strokes": (with_strokes(12.0), "strokes cannot tell how alike neighbouring strokes are, so no ±"),
    "a drift": (as_csv(frame(replace(SHORT, strokes=80.0, drift_um_per_min=(90.0, 0.0)))), "The ram drifted"),
    "paths apart": (as_csv(frame(replace(SHORT, split_um=(40.0, 0.0)))), "Forward and return paths lie"),
    "a kick": (as_csv(frame(replace(SHORT, kick_um=(0.0, 90.0)))), "At doming the ram jumps"),
}


@pytest.mark.parametrize("fault", WARNED_OF)
def test_what_can_be_done_without_is_warned_of_with_what_to_look_at(site, client, fault):
    content, says = WARNED_OF[fault]
    page = shown(client, site.send(client, content))
    capture = Capture.objects.get()
    assert capture.state == "done", capture.sentence
    told = [caution for caution in capture.result["cautions"] if says in caution["sentence"]]
    assert len(told) == 1, [caution["sentence"] for caution in capture.result["cautions"]]
    assert told[0]["look_at"]
    assert says in page  # worded anew in the reader's unit
    assert "Look at: " in page


def test_volts_taken_for_micrometres_lead_to_the_set_up_and_are_mended_there(site, client, signed_in):
    site.setup.probes.update(scale_um_per_unit=1.0)
    answer = site.send(client, CSV)
    page = shown(client, answer)
    capture = Capture.objects.get()
    assert "the file looks to be in volts; give the probes their scale in µm per volt." in page
    assert "Correct the set-up and work it out again" in page
    assert reverse("alignment:probe_setup", args=[site.setup.pk]) not in page, "a mechanic does not set up"
    site.setup.probes.update(scale_um_per_unit=100.0)
    again = client.post(reverse("alignment:capture_again", args=[capture.pk]))
    assert again.status_code == 302
    capture.refresh_from_db()
    assert (capture.state, capture.sentence) == ("done", "")


def test_no_file_and_one_that_is_too_large(site, client, settings):
    address = reverse("alignment:capture_send", args=[site.machine.pk])
    answer = client.post(address, {"setup": site.setup.pk, "recorded_at": "2026-06-15T11:00"})
    assert answer.status_code == 422
    assert "Choose the file of the capture." in answer.content.decode()
    settings.CAPTURE_LIMIT_BYTES = 1000
    answer = site.send(client, CSV)
    assert answer.status_code == 422
    assert "MB is the most. Record for less long." in answer.content.decode()
    assert not Capture.objects.exists()


def test_a_capture_may_be_larger_than_other_files_and_its_own_limit_holds(site, client, settings):
    """Before a byte is read: by the length that the browser says."""
    settings.UPLOAD_LIMIT_BYTES, settings.CAPTURE_LIMIT_BYTES = 1000, 50_000_000
    form = "multipart/form-data; boundary=x"
    send = reverse("alignment:capture_send", args=[site.machine.pk])
    says = {"CONTENT_LENGTH": "20000000"}
    assert client.generic("POST", send, b"", form, **says).status_code == 422
    assert client.generic("POST", reverse("production:uploads"), b"", form, **says).status_code == 413
    assert client.generic("POST", "/no/such/page/", b"", form, **says).status_code == 413
    assert client.generic("POST", send, b"", form, CONTENT_LENGTH="60000001").status_code == 413


def test_a_name_that_would_break_a_page_or_a_path_does_neither(site, client):
    name = '..\\..\\"><script>alert(1)</script>\r\nSet-Cookie: a=b.csv'
    page = shown(client, site.send(client, CSV, name))
    assert "<script>alert" not in page
    capture = Capture.objects.get()
    assert capture.file.name.startswith("captures/")
    got = client.get(reverse("alignment:capture_file", args=[capture.pk]))
    assert "Set-Cookie" not in got.headers
    assert b"".join(got.streaming_content) == CSV
