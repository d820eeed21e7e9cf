"""The program's own settings, with a throw-away data folder and a fast hasher."""

import os
import tempfile

_FOLDER = tempfile.mkdtemp(prefix="linelog-tests-")
os.environ.setdefault("LINELOG_SECRET_KEY", "only-for-the-tests-" + "x" * 40)
os.environ.setdefault("LINELOG_DATA", _FOLDER)

from linelog.settings import *  # noqa: E402, F403 - the environment must be set before this import

PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
}
WHITENOISE_AUTOREFRESH = True
ALLOWED_HOSTS = ["localhost", "127.0.0.1", "testserver"]
