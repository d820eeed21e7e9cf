"""Photos of a visit."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.core.files.uploadedfile import UploadedFile
from django.db import transaction

from linelog.alignment.models import Photo, Visit
from linelog.alignment.services.guard import locked_open_visit
from linelog.plant.models import Person, Station
from linelog.web import audit
from linelog.web.pictures import reencoded


def add_photo(
    *,
    by: Person,
    visit: Visit,
    station: Station | None,
    upload: UploadedFile[Any],
    caption: str,
    at: datetime,
    taken_at: datetime | None = None,
) -> Photo:
    """Keep a photo with the visit; the same picture again is the same photo.

    `taken_at` is when it was added on a tablet that sends it later.
    """
    picture = reencoded(upload)
    with transaction.atomic():
        fresh = locked_open_visit(visit, by)
        there = Photo.objects.filter(visit=fresh, sha256=picture.sha256).first()
        if there:
            return there
        size = {"width": picture.width, "height": picture.height}
        photo = Photo(
            visit=fresh, station=station, sha256=picture.sha256, caption=caption, by=by, at=taken_at or at, **size
        )
        photo.file.save(picture.name, picture.file(), save=False)
        photo.save(force_insert=True)
        audit.record(by=by, action="added photo", obj=photo, at=at, after=audit.snapshot(photo))
    return photo
