"""Files of counts that the plant keeps no longer."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

from linelog.plant.models import Plant
from linelog.production.models import Upload
from linelog.production.working import problems_path, rows_path
from linelog.web import nightly


def tidy_uploads(plant: Plant, now: datetime, tell: nightly.Tell) -> str:
    """Take away the files of uploads that are older than the plant keeps them; what was stored from them stays."""
    old = Upload.objects.filter(plant=plant, at__lt=now - timedelta(days=plant.keep_uploads_days)).exclude(file="")
    gone = 0
    for upload in old.exclude(state__in=[Upload.State.CHECKING, Upload.State.STORING]):
        Upload.objects.filter(pk=upload.pk).update(file="")  # first: a row never names a file that is gone
        for path in (Path(upload.file.path), rows_path(upload), problems_path(upload)):
            path.unlink(missing_ok=True)
        gone += 1
    return f"{gone} files of counts"
