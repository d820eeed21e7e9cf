"""Photos: judged by what they are, not by what they are called."""

import io
import zipfile
import zlib

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone
from PIL import Image

from linelog.alignment.models import Photo
from tests import factories
from tests.alignment.helpers import address

pytestmark = pytest.mark.django_db


@pytest.fixture
def job(signed_in, settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path
    machine = factories.machine()
    mechanic = factories.person("mechanic", machine.line.plant)
    return signed_in(mechanic), factories.visit(machine, mechanic, opened_at=timezone.now())


def picture(kind="PNG", size=(60, 40), exif=None):
    out = io.BytesIO()
    more = {"exif": exif} if exif else {}
    Image.new("RGB", size, "silver").save(out, kind, **more)
    return out.getvalue()


def bomb():
    """A PNG whose header promises 30,000 x 30,000 pixels."""

    def chunk(name, body):
        return len(body).to_bytes(4, "big") + name + body + zlib.crc32(name + body).to_bytes(4, "big")

    header = (30_000).to_bytes(4, "big") * 2 + bytes([8, 2, 0, 0, 0])
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"0")) + chunk(b"IEND", b"")


def send(client, visit, name, content):
    upload = SimpleUploadedFile(name, content, content_type="image/png")
    return client.post(address("add_photo", visit), {"photo": upload, "caption": "the cradle"})


def test_a_photo_is_kept_and_shown_to_the_plant_only(job, client):
    mine, visit = job
    assert send(mine, visit, "a.png", picture()).status_code == 302
    photo = Photo.objects.get()
    response = mine.get(f"/visits/photos/{photo.pk}/")
    shown = Image.open(io.BytesIO(b"".join(response.streaming_content)))
    assert (shown.format, shown.size) == ("JPEG", (60, 40))
    client.force_login(factories.person("manager"))
    assert client.get(f"/visits/photos/{photo.pk}/").status_code == 404


def test_where_and_with_what_it_was_taken_is_not_kept(job):
    client, visit = job
    exif = Image.Exif()
    exif[0x010F] = "Camera maker"
    send(client, visit, "a.jpg", picture("JPEG", exif=exif.tobytes()))
    with Photo.objects.get().file.open() as file:
        assert not Image.open(file).getexif()


def test_the_same_photo_twice_is_one(job):
    client, visit = job
    for _ in range(2):
        send(client, visit, "a.png", picture())
    assert Photo.objects.count() == 1


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("notes.png", b"not a picture at all"),
        ("page.png", b"<svg xmlns='http://www.w3.org/2000/svg'><script>1</script></svg>"),
        ("cut.png", picture()[:40]),
        ("huge.png", bomb()),
        ("picture.gif", picture("GIF")),
    ],
)
def test_what_is_no_picture_is_refused_in_one_sentence(job, name, content):
    client, visit = job
    response = send(client, visit, name, content)
    assert response.status_code == 422
    said = response.content.decode()
    too_large = "This picture is too large: 30000 x 30000 pixels, 900 million; 50 is the most."
    assert (too_large if name == "huge.png" else "is not a picture that can be shown") in said
    assert not Photo.objects.exists()


def test_an_archive_named_like_a_picture_is_refused(job):
    client, visit = job
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("../../evil.jpg", b"x")
    assert send(client, visit, "../../evil.jpg", out.getvalue()).status_code == 422


def test_an_empty_file_and_no_file_are_told(job):
    client, visit = job
    assert send(client, visit, "a.png", b"").status_code == 422
    assert client.post(address("add_photo", visit), {"caption": "x"}).status_code == 422


def test_a_large_photo_is_made_smaller_and_one_over_the_limit_refused(job, settings):
    client, visit = job
    send(client, visit, "wide.png", picture(size=(4000, 1000)))
    assert Photo.objects.get().width == 2000
    settings.PHOTO_LIMIT_BYTES = 100
    response = send(client, visit, "a.png", picture(size=(200, 200)))
    assert response.status_code == 422
