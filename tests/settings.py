"""The program's own settings, with a throw-away data folder, a fast hasher and no waiting for the disk."""

import atexit
import os
import shutil
import tempfile
from pathlib import Path

_FOLDER = tempfile.mkdtemp(prefix="linelog-tests-")
atexit.register(shutil.rmtree, _FOLDER, ignore_errors=True)
os.environ.setdefault("LINELOG_SECRET_KEY", "only-for-the-tests-" + "x" * 40)
os.environ.setdefault("LINELOG_DATA", _FOLDER)

from linelog.settings import *  # noqa: E402, F403 - the environment must be set before this import
from linelog.settings import DATABASES  # noqa: E402 - likewise

PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
}
WHITENOISE_AUTOREFRESH = True
ALLOWED_HOSTS = ["localhost", "127.0.0.1", "testserver"]

if DATABASES["default"]["ENGINE"].endswith("sqlite3"):
    # A file, as in real use: threads get connections of their own, which one in memory would have to share.
    DATABASES["default"]["TEST"] = {"NAME": f"{_FOLDER}/test.sqlite3"}
    DATABASES["default"]["OPTIONS"]["init_command"] = "PRAGMA journal_mode=WAL; PRAGMA synchronous=OFF;"
MEDIA_ROOT = Path(_FOLDER) / "media"
