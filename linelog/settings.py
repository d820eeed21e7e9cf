"""Everything that is set for the program. Environment variables are read here and nowhere else."""

from __future__ import annotations

import os
import secrets
from pathlib import Path
from typing import Any

import environ
import plotly
from csp.constants import NONCE, NONE, SELF
from django.core.exceptions import ImproperlyConfigured

env = environ.Env()
# Database, kept files and key are for the account of the program alone, whatever makes them.
os.umask(0o077)

PACKAGE_DIR = Path(__file__).resolve().parent
# The wheel carries templates, static files and the demonstration's scenario within the package.
IS_INSTALLED = (PACKAGE_DIR / "templates").is_dir()
BASE_DIR = PACKAGE_DIR if IS_INSTALLED else PACKAGE_DIR.parent
DATA_DIR = Path(env.str("LINELOG_DATA", default=str((Path.home() if IS_INSTALLED else BASE_DIR) / ".linelog")))


def _secret_key() -> str:
    """Take the key from the environment, else from the data folder, where the first start makes one."""
    given: str = env.str("LINELOG_SECRET_KEY", default="")
    if given:
        return given
    kept = DATA_DIR / "secret.key"
    try:
        DATA_DIR.mkdir(parents=True, exist_ok=True)
        with open(os.open(kept, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "w") as new:
            new.write(secrets.token_urlsafe(64))
    except FileExistsError:
        pass
    except OSError as error:
        raise ImproperlyConfigured(f"No secret key can be kept in {DATA_DIR}: {error}.") from error
    return kept.read_text().strip()


SECRET_KEY = _secret_key()
DEBUG = env.bool("LINELOG_DEBUG", default=False)
ALLOWED_HOSTS: list[str] = env.list("LINELOG_HOSTS", default=["localhost", "127.0.0.1", "[::1]"])
CSRF_TRUSTED_ORIGINS: list[str] = env.list("LINELOG_ORIGINS", default=[])
PORT = env.int("PORT", default=8000)
HTTPS = env.bool("LINELOG_HTTPS", default=False)

INSTALLED_APPS = [
    "linelog.web",
    "linelog.plant",
    "linelog.alignment",
    "linelog.production",
    "linelog.trends",
    "linelog.planning",
    "linelog.demo",
    "linelog.web.admin_apps.TablesConfig",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "django.forms",
    "axes",
    "csp",
    "django_htmx",
    "template_partials",
    "django_tasks",
    "django_tasks_db",
]

MIDDLEWARE = [
    "linelog.web.middleware.RequestId",
    "linelog.web.middleware.HeadLikeGet",
    "linelog.web.middleware.HealthByAddress",
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "linelog.web.sessions.Cookie",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "linelog.web.middleware.SignedIn",
    "linelog.web.middleware.ActingPerson",
    "linelog.web.middleware.BodySize",
    "linelog.web.middleware.Access",
    "linelog.web.middleware.PlantTime",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "linelog.web.middleware.PlainErrors",
    "axes.middleware.AxesMiddleware",
]

FORM_RENDERER = "django.forms.renderers.TemplatesSetting"  # our own field template, in templates/django/forms
ROOT_URLCONF = "linelog.urls"
WSGI_APPLICATION = "linelog.wsgi.application"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "csp.context_processors.nonce",
                "linelog.web.context.page",
            ],
            "builtins": ["linelog.web.templatetags.units", "linelog.web.templatetags.forms"],
        },
    },
]


def _database() -> dict[str, Any]:
    """Take PostgreSQL where DATABASE_URL names it, else the embedded SQLite."""
    if env.str("DATABASE_URL", default=""):
        config = dict(env.db_url("DATABASE_URL"))
        if config["ENGINE"].endswith("postgresql"):
            config["ENGINE"] = "linelog.web.postgresql"  # Django's own, with a cheaper look whether it is there
            config["CONN_MAX_AGE"] = 60
            config["CONN_HEALTH_CHECKS"] = True
            # What is kept planned (`web/prepared.py`) finds rows by their numbers: no value of one asks for another
            # plan. A server without statistics yet would go on planning it for each.
            config.setdefault("OPTIONS", {}).setdefault("options", "-c plan_cache_mode=force_generic_plan")
            return config
    else:
        config = {"NAME": str(DATA_DIR / "linelog.sqlite3")}
    config["ENGINE"] = "linelog.web.sqlite3"  # Django's own, with one queue for all who write
    # IMMEDIATE takes the write lock at the start, so that tablets writing at the same time wait for their turn
    # (up to `timeout`) where a deferred transaction would fail at once with 'database is locked'.
    config["OPTIONS"] = {
        "transaction_mode": "IMMEDIATE",
        "timeout": 20,
        "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA foreign_keys=ON;",
    }
    config["CONN_MAX_AGE"] = 60
    return config


DATABASES = {"default": _database()}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

AUTH_USER_MODEL = "plant.Person"
AUTHENTICATION_BACKENDS = [
    "axes.backends.AxesStandaloneBackend",
    "linelog.web.backends.People",
]
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {
        "NAME": "django.contrib.auth.password_validation.MinimumLengthValidator",
        "OPTIONS": {"min_length": 10},
    },
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.NumericPasswordValidator"},
]
LOGIN_URL = "web:sign_in"
LOGIN_REDIRECT_URL = "trends:fleet"
LOGOUT_REDIRECT_URL = "web:sign_in"
AXES_FAILURE_LIMIT = 5
AXES_COOLOFF_TIME = 0.25  # hours
AXES_LOCKOUT_PARAMETERS = ["username"]  # a locked name is locked from every address
AXES_LOCKOUT_TEMPLATE = "web/locked_out.html"
AXES_HTTP_RESPONSE_CODE = 429
AXES_RESET_ON_SUCCESS = True
AXES_ENABLE_ADMIN = False
AXES_VERBOSE = False

LANGUAGE_CODE = "en"
USE_I18N = False
USE_TZ = True
TIME_ZONE = "UTC"

STATIC_URL = "static/"
STATIC_ROOT = DATA_DIR / "static"
STATICFILES_DIRS = [BASE_DIR / "static", ("plotly", Path(plotly.__file__).parent / "package_data")]
MEDIA_ROOT = DATA_DIR / "media"
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"},
}
WHITENOISE_SKIP_COMPRESS_EXTENSIONS = ["png", "jpg", "gz", "br", "map"]
FILE_UPLOAD_PERMISSIONS, FILE_UPLOAD_DIRECTORY_PERMISSIONS = 0o600, 0o700
FILE_UPLOAD_MAX_MEMORY_SIZE = 2_500_000
INCOMING_DIR = DATA_DIR / "incoming"
FILE_UPLOAD_HANDLERS = ["django.core.files.uploadhandler.MemoryFileUploadHandler", "linelog.web.uploads.ToDisk"]
DATA_UPLOAD_MAX_MEMORY_SIZE = 2_500_000
DATA_UPLOAD_MAX_NUMBER_FIELDS = 2_000
UPLOAD_LIMIT_BYTES = env.int("LINELOG_UPLOAD_LIMIT_MB", default=200) * 1_000_000
CAPTURE_LIMIT_BYTES = env.int("LINELOG_CAPTURE_LIMIT_MB", default=400) * 1_000_000
PHOTO_LIMIT_BYTES = 15_000_000

TASKS = {"default": {"BACKEND": "django_tasks_db.DatabaseBackend", "QUEUES": ["default"]}}

SESSION_ENGINE = "linelog.web.sessions"
SESSION_COOKIE_AGE = 14 * 24 * 3600
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
CSRF_COOKIE_SAMESITE = "Lax"
CSRF_COOKIE_HTTPONLY = True  # pages carry the token themselves
CSRF_FAILURE_VIEW = "linelog.web.errors.csrf_failure"
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
MESSAGE_STORAGE = "django.contrib.messages.storage.session.SessionStorage"  # names of people stay out of cookies
if HTTPS:
    SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = True
    # With this prefix browsers take the cookie from this very host over TLS alone.
    SESSION_COOKIE_NAME, CSRF_COOKIE_NAME = "__Host-session", "__Host-csrf"
    SECURE_SSL_REDIRECT = True
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
    SECURE_HSTS_SECONDS = 365 * 24 * 3600
    # For this name alone, unless it is said: other names of the same domain may not have TLS at all.
    SECURE_HSTS_INCLUDE_SUBDOMAINS = SECURE_HSTS_PRELOAD = env.bool("LINELOG_HSTS_SUBDOMAINS", default=False)
SECURE_REDIRECT_EXEMPT = [r"^health$"]  # a monitor asks past the proxy, by address
# Subdomains and preload are the site's to choose; a name is locked whatever address, browser or cookie it comes with.
SILENCED_SYSTEM_CHECKS = ["security.W005", "security.W021", "axes.W006"]

# Plotly adds two style elements, one empty and one for maps, and sets style attributes on its drawings.
EMPTY_STYLE = "'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='"
MAP_STYLE = "'sha256-ji27qzEtxXZW+7dun6UwjHXJ18e6WAin1VvNtkzIE/o='"
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [NONE],
        "script-src": [SELF, NONCE],
        "style-src": [SELF, EMPTY_STYLE, MAP_STYLE],
        "style-src-attr": ["'unsafe-inline'"],
        "img-src": [SELF, "data:", "blob:"],
        "font-src": [SELF],
        "connect-src": [SELF],
        "manifest-src": [SELF],
        "worker-src": [SELF],
        "form-action": [SELF],
        "base-uri": [NONE],
        "frame-ancestors": [NONE],
    }
}

# What follows one of these in an address is a secret: whoever has it is let in.
SECRET_ADDRESSES = ["/calendar/", "/display/"]

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "filters": {"request_id": {"()": "linelog.web.requestid.AddRequestId"}},
    "formatters": {
        "line": {
            "()": "linelog.web.requestid.OneLine",
            "format": "{asctime} {levelname} {name} request={request_id} person={person} {message}",
            "style": "{",
        },
    },
    "handlers": {
        "stderr": {"class": "logging.StreamHandler", "formatter": "line", "filters": ["request_id"]},
    },
    "root": {"handlers": ["stderr"], "level": env.str("LINELOG_LOG_LEVEL", default="INFO")},
}
