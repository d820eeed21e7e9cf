"""Photos of a visit: judged by content, bounded, re-encoded so that nothing but the picture is kept."""

from __future__ import annotations

import hashlib
import io
import warnings
from datetime import datetime
from typing import Any

from django.conf import settings
from django.core.files.base import ContentFile
from django.core.files.uploadedfile import UploadedFile
from django.db import transaction
from PIL import Image, ImageOps

from linelog.alignment.models import Photo, Visit
from linelog.alignment.services.guard import locked_open_visit
from linelog.plant.models import Person, Station
from linelog.web import audit
from linelog.web.errors import Refused

FORMATS = ("JPEG", "PNG", "WEBP")
MOST_PIXELS = 50_000_000
LONGEST_SIDE = 2000


def _reencoded(upload: UploadedFile[Any]) -> tuple[bytes, int, int]:
    """Return the picture as a JPEG without its metadata (place, camera), turned upright, at most 2000 px."""
    if (upload.size or 0) > settings.PHOTO_LIMIT_BYTES:
        raise Refused(f"A photo may have {settings.PHOTO_LIMIT_BYTES // 1_000_000} MB at most.", field="photo")
    not_a_picture = Refused("This file is not a picture that can be shown (JPEG, PNG or WebP).", field="photo")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(upload, formats=FORMATS) as opened:
                if opened.width * opened.height > MOST_PIXELS:
                    raise Refused("This picture has too many pixels: 50 million at most.", field="photo")
                picture = ImageOps.exif_transpose(opened).convert("RGB")
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise not_a_picture from None
    picture.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=85)
    return out.getvalue(), picture.width, picture.height


def add_photo(
    *, by: Person, visit: Visit, station: Station | None, upload: UploadedFile[Any], caption: str, at: datetime
) -> Photo:
    """Keep a photo with the visit; the same picture again is the same photo."""
    content, width, height = _reencoded(upload)
    digest = hashlib.sha256(content).hexdigest()
    with transaction.atomic():
        fresh = locked_open_visit(visit, by)
        there = Photo.objects.filter(visit=fresh, sha256=digest).first()
        if there:
            return there
        photo = Photo(
            visit=fresh, station=station, sha256=digest, width=width, height=height, caption=caption, by=by, at=at
        )
        photo.file.save(f"{digest[:32]}.jpg", ContentFile(content), save=False)
        photo.save(force_insert=True)
        audit.record(by=by, action="added photo", obj=photo, at=at, after=audit.snapshot(photo))
    return photo
