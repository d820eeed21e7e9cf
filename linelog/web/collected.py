"""The static files as they are served: collected anew only where one of them, or what prepares them, has changed."""

from __future__ import annotations

import hashlib
from importlib.metadata import version
from pathlib import Path

import django
from django.conf import settings
from django.contrib.staticfiles.finders import get_finders
from django.core.management import call_command

MARK = ".collected"


def collect_if_changed() -> bool:
    """Collect the static files where needed; return whether it was."""
    mark, wanted = Path(settings.STATIC_ROOT) / MARK, _fingerprint()
    if mark.is_file() and mark.read_text() == wanted:
        return False
    mark.unlink(missing_ok=True)  # one that is ended on the way is not taken for whole
    call_command("collectstatic", interactive=False, verbosity=0)
    mark.write_text(wanted)
    return True


def _fingerprint() -> str:
    """Digest the names, sizes and times of all sources: their contents would take longer to read than they change."""
    prepared_by = (django.__version__, version("whitenoise"), str(settings.STORAGES["staticfiles"]))
    digest = hashlib.sha256("\n".join(prepared_by).encode())
    for finder in get_finders():
        for name, storage in sorted(finder.list([]), key=lambda one: one[0]):
            stat = Path(storage.path(name)).stat()
            digest.update(f"\n{name} {stat.st_size} {stat.st_mtime_ns}".encode())
    return digest.hexdigest()
