"""Pictures that people send: judged by content, bounded, re-encoded so that nothing but the picture is kept."""

from __future__ import annotations

import hashlib
import io
import warnings
from dataclasses import dataclass
from typing import Any

from django.conf import settings
from django.core.files.base import ContentFile
from django.core.files.uploadedfile import UploadedFile
from PIL import Image, ImageOps

from linelog.web.errors import Refused

FORMATS = ("JPEG", "PNG", "WEBP")
MOST_PIXELS = 50_000_000
LONGEST_SIDE = 2000


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture as it is kept: a JPEG, its size in pixels, and the checksum of the file."""

    content: bytes
    width: int
    height: int
    sha256: str

    @property
    def name(self) -> str:
        """The name of its file: the picture's own digest, never what somebody called it."""
        return f"{self.sha256[:32]}.jpg"

    def file(self) -> ContentFile[bytes]:
        """Return what a file field stores."""
        return ContentFile(self.content)


def reencoded(upload: UploadedFile[Any], *, field: str = "photo") -> Picture:
    """Return the picture as a JPEG without its metadata (place, camera), turned upright, at most 2000 px.

    Raises `Refused`, beside `field`, for what is no picture, has too many bytes or too many pixels.
    """
    if (upload.size or 0) > settings.PHOTO_LIMIT_BYTES:
        raise Refused(f"A photo may have {settings.PHOTO_LIMIT_BYTES // 1_000_000} MB at most.", field=field)
    not_a_picture = Refused("This file is not a picture that can be shown (JPEG, PNG or WebP).", field=field)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(upload, formats=FORMATS) as opened:
                if opened.width * opened.height > MOST_PIXELS:
                    raise Refused("This picture has too many pixels: 50 million at most.", field=field)
                picture = ImageOps.exif_transpose(opened).convert("RGB")
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise not_a_picture from None
    picture.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=85)
    content = out.getvalue()
    return Picture(content, picture.width, picture.height, hashlib.sha256(content).hexdigest())
