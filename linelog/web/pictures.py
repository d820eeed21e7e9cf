"""Pictures that people send: judged by content, bounded, re-encoded so that nothing but the picture is kept."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.files.base import ContentFile
from django.core.files.uploadedfile import UploadedFile

from linelog.web import sandbox
from linelog.web.errors import Refused
from linelog.web.picture_codec import MOST_PIXELS, Encoded, NotReadable

PICTURES = sandbox.Bounds("pictures", memory_bytes=150_000_000, cpu_s=20.0, wall_s=60.0)
NOT_TAKEN = {
    "format": "This file is not a picture that can be shown (JPEG, PNG or WebP).",
    "pixels": "This picture is too large: {width} x {height} pixels, {millions:.0f} million; {most} is the most.",
}


def _sentence(not_taken: NotReadable) -> str:
    width, height = not_taken.size
    figures = {"width": width, "height": height, "millions": width * height / 1e6, "most": MOST_PIXELS // 1_000_000}
    return NOT_TAKEN[not_taken.why].format(**figures)


class Picture(Encoded):
    """A picture as it is kept."""

    __slots__ = ()

    @property
    def name(self) -> str:
        """The name of its file: the picture's own digest, never what somebody called it."""
        return f"{self.sha256[:32]}.jpg"

    def file(self) -> ContentFile[bytes]:
        """Return what a file field stores."""
        return ContentFile(self.content)


def reencoded(upload: UploadedFile[Any], *, field: str = "photo") -> Picture:
    """Return the picture as a JPEG without its metadata (place, camera), turned upright, at most 2000 px.

    Raises `Refused`, beside `field`, for what is no picture, has too many bytes or too many pixels, or takes more
    memory or time than one picture is given.
    """
    if (upload.size or 0) > settings.PHOTO_LIMIT_BYTES:
        raise Refused(f"A photo may have {settings.PHOTO_LIMIT_BYTES // 1_000_000} MB at most.", field=field)
    upload.seek(0)
    try:
        kept = sandbox.call("linelog.web.picture_codec:reencode", PICTURES, content=upload.read())
    except NotReadable as not_taken:
        raise Refused(_sentence(not_taken), field=field) from None
    except (sandbox.Overrun, sandbox.Broken) as ended:
        raise Refused(ended.sentence, field=field) from None
    return Picture(kept.content, kept.width, kept.height, kept.sha256)
