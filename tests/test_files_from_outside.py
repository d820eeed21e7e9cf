"""No file from outside ends the program, or takes the machine: it is refused by name, with a sentence, once."""

import io
import resource

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from linelog.production.models import Upload
from linelog.production.reading.bounds import TABLES
from linelog.production.reading.refusal import FileRefused
from linelog.production.services import uploads
from linelog.web import jobs, pictures, sandbox
from linelog.web.errors import Refused
from linelog.web.models import Job
from tests import hostile_files
from tests.alignment import capturing
from tests.fuzzed_files import outcomes
from tests.production import helpers
from tests.production.helpers import NOW, as_file

A_TENTH_OF_A_HUNDREDTH = 3  # of each kind; tests.bench.bench_fuzz_files runs 20,000


def read(content, tmp_path, bounds=TABLES):
    path = tmp_path / "sent"
    path.write_bytes(content)
    asked = {"path": str(path), "plant": helpers.READER_PLANT, "order": None, "tell": lambda at: None}
    return sandbox.call("linelog.production.reading.reader:read_path", bounds, **asked)


def most_memory_of_this_process():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


@pytest.mark.parametrize("cell", ["xfd1048576", "XFD1048576", "xFd3", "bm2"])
def test_a_stray_cell_far_to_the_right_is_refused_however_its_name_is_written(cell, tmp_path):
    with pytest.raises(FileRefused, match=f"cell at {cell}"):
        read(hostile_files.stray_cell(cell), tmp_path)


@pytest.mark.parametrize("cell", ["BL1048576", "bl1048576", "BL400000"])
def test_a_stray_cell_far_down_is_refused_by_its_name(cell, tmp_path):
    small = sandbox.Bounds("tables", memory_bytes=500_000_000, cpu_s=60.0, wall_s=120.0)
    before = most_memory_of_this_process()
    with pytest.raises(FileRefused, match=f"cell at {cell}, [0-9,]+ rows below the last one: clear it") as caught:
        read(hostile_files.stray_cell(cell), tmp_path, small)
    assert caught.value.sentence.endswith("clear it.")
    assert most_memory_of_this_process() - before < 50_000_000
    assert read(hostile_files.sound_workbook(), tmp_path).rows.height == 1
    assert read(hostile_files.stray_cell("A900"), tmp_path).total >= 1  # some empty rows between are no harm


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "cp037"])
def test_a_document_type_is_refused_in_any_encoding(encoding, tmp_path):
    """cp037: single-byte letters of mainframes, which the XML parser reads by Python's tables."""
    with pytest.raises(FileRefused):
        read(hostile_files.document_type(encoding), tmp_path)


@pytest.mark.django_db
def test_a_file_that_ended_its_reader_is_shown_as_refused_and_not_read_again(monkeypatch):
    """Sent as a file that the worker reads: its job is over at once, with nothing left to offer."""
    site = helpers.Site()
    monkeypatch.setattr(uploads, "SMALL_BYTES", 0)
    monkeypatch.setattr("linelog.production.working.TABLES", sandbox.Bounds("tables", 10_000_000, 20.0, 60.0))
    monkeypatch.setattr(jobs, "offer", lambda job: None)
    file = as_file(hostile_files.many_cells(), "september.xlsx")
    upload = uploads.receive(by=site.quality, at=NOW, plant=site.plant, file=file, limit_bytes=10**8)
    from linelog.production import tasks

    jobs.run(upload.job_id, lambda tell: tasks._do(upload.job_id, tell, tasks.read_upload))
    upload.refresh_from_db()
    assert (upload.state, upload.name) == (Upload.State.REFUSED, "september.xlsx")
    assert upload.sentence.endswith("refused.")
    job = Job.objects.get(pk=upload.job_id)
    assert job.is_over
    offered = []
    monkeypatch.setattr(jobs, "offer", offered.append)
    jobs.offer_again(now=NOW + 10 * jobs.STALE_AFTER)
    assert offered == []


@pytest.mark.django_db
def test_a_parquet_file_that_unpacks_to_gigabytes_is_refused(monkeypatch):
    site = capturing.Site()
    small = sandbox.Bounds("captures", memory_bytes=300_000_000, cpu_s=60.0, wall_s=120.0)
    for module in ("linelog.alignment.services.captures", "linelog.alignment.captures.working"):
        monkeypatch.setattr(f"{module}.CAPTURES", small)
    bomb = hostile_files.parquet_bomb(20_000_000)
    assert len(bomb) < 200_000
    before = most_memory_of_this_process()
    try:
        said = site.receive(bomb, "run.parquet").sentence
    except Refused as refusal:
        said = refusal.message
    assert said
    assert most_memory_of_this_process() - before < 100_000_000


def test_a_picture_that_unpacks_beyond_bounds_is_refused():
    bomb = hostile_files.picture_bomb()
    assert len(bomb) < 400_000
    with pytest.raises(Refused, match="memory"):
        pictures.reencoded(SimpleUploadedFile("photo.png", bomb))


def test_a_picture_of_169_million_pixels_is_called_too_large_with_its_size():
    with pytest.raises(Refused, match="too large: 13000 x 13000 pixels, 169 million; 50 is the most"):
        pictures.reencoded(SimpleUploadedFile("photo.png", hostile_files.picture_bomb(13_000, rows=1)))


def test_a_photo_of_48_million_pixels_is_taken_within_bounds():
    """As telephones of these years take them; decoded at the scale it is kept at."""
    from PIL import Image

    out = io.BytesIO()
    Image.new("RGB", (8000, 6000), (90, 120, 30)).save(out, "JPEG")
    kept = pictures.reencoded(SimpleUploadedFile("photo.jpg", out.getvalue()))
    assert (kept.width, kept.height) == (2000, 1500)


def test_mutated_files_are_read_or_refused():
    for name, found in outcomes(A_TENTH_OF_A_HUNDREDTH, seed=7).items():
        assert set(found) <= {"read", "refused", "memory"}, (name, found)
