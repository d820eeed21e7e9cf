"""From the bytes of a picture to those that are kept. Knows no Django: it runs in the process that reads files."""

from __future__ import annotations

import hashlib
import io
from dataclasses import dataclass

from PIL import Image, ImageOps

FORMATS = ("JPEG", "PNG", "WEBP")
MOST_PIXELS = 50_000_000
LONGEST_SIDE = 2000
Image.MAX_IMAGE_PIXELS = None  # told here, with the size, once the header is read


class NotReadable(Exception):
    """A picture that is not taken; `why` is 'format' or 'pixels', `size` its width and height if known."""

    def __init__(self, why: str, size: tuple[int, int] = (0, 0)) -> None:
        super().__init__(why, size)
        self.why = why
        self.size = size


@dataclass(frozen=True, slots=True)
class Encoded:
    """A JPEG without metadata, its size in pixels, and the checksum of its bytes."""

    content: bytes
    width: int
    height: int
    sha256: str


def reencode(content: bytes) -> Encoded:
    """Return the picture as a JPEG, upright, at most 2000 px a side. Raises NotReadable.

    A photo is decoded at the scale it is kept at (`draft`), and made small before anything else is done with it.
    """
    try:
        picture = _small(content)
    except (OSError, ValueError, SyntaxError):
        raise NotReadable("format") from None
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=85)
    kept = out.getvalue()
    return Encoded(kept, picture.width, picture.height, hashlib.sha256(kept).hexdigest())


def _small(content: bytes) -> Image.Image:
    with Image.open(io.BytesIO(content), formats=FORMATS) as opened:
        if opened.width * opened.height > MOST_PIXELS:
            raise NotReadable("pixels", opened.size)
        opened.draft("RGB", (LONGEST_SIDE, LONGEST_SIDE))
        picture = opened.convert("RGB") if opened.mode == "P" else opened
        picture.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
        return ImageOps.exif_transpose(picture).convert("RGB")
