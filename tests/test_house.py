"""Rules of the whole code base that a single module's test would not see."""

import io
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from django.apps import apps
from django.conf import settings
from django.core.management import call_command
from django.template.loader import get_template

from linelog.web import acting
from tests import factories

ROOT = Path(settings.BASE_DIR)
LONGEST = 3_000  # bytes of a line that a person wrote
OURS = ("web", "plant", "alignment", "production", "trends", "planning")


@pytest.mark.django_db
def test_models_and_migrations_agree():
    call_command("makemigrations", "--check", "--dry-run", stdout=io.StringIO())


def test_who_and_when_are_held_together_in_the_database():
    """A pair X_by / X_at that may be empty needs a constraint, else one could be set without the other."""
    loose = []
    for label in OURS:
        for model in apps.get_app_config(label).get_models():
            names = {field.name: field for field in model._meta.get_fields() if hasattr(field, "null")}
            for name, field in names.items():
                partner = names.get(f"{name[:-3]}_at") if name.endswith("_by") else None
                if partner is None or not partner.null:
                    continue
                held = any(name in str(c) and partner.name in str(c) for c in model._meta.constraints)
                if not held:
                    loose.append(f"{model.__name__}.{field.name}")
    assert loose == []


def every_template() -> list[str]:
    return sorted(str(path.relative_to(ROOT / "templates")) for path in (ROOT / "templates").rglob("*.html"))


def test_there_are_templates_to_look_at():
    assert "base.html" in every_template()


@pytest.mark.parametrize("name", every_template())
def test_every_template_compiles(name):
    get_template(name)


@pytest.mark.parametrize("name", every_template())
def test_no_template_holds_script_style_or_handlers_that_the_content_policy_would_stop(name):
    text = (ROOT / "templates" / name).read_text()
    assert not re.findall(r"<script(?![^>]*\b(?:src=|type=\"application/json\"))[^>]*>", text), "inline script"
    assert not re.findall(r"<style\b", text), "inline style"
    assert not re.findall(r"\sstyle=", text), "style attribute"
    assert not re.findall(r"\son[a-z]+=", text), "event handler"
    assert "hx-on" not in text, "hx-on evaluates its value"
    assert "javascript:" not in text
    assert "|safe" not in text.replace(" ", ""), "unescaped text"


def policy(answer) -> dict[str, set[str]]:
    parts = (part.split() for part in answer["Content-Security-Policy"].split(";"))
    return {part[0]: set(part[1:]) for part in parts if part}


@pytest.mark.django_db
def test_every_page_carries_its_headers(client):
    client.force_login(factories.person("manager"))
    for answer in (
        client.get("/people/"),
        client.get("/no/such/page/"),
        client.get("/admin/"),
        client.get("/health"),
    ):
        assert answer["X-Content-Type-Options"] == "nosniff"
        assert answer["X-Frame-Options"] == "DENY"
        assert answer["Referrer-Policy"] == "same-origin"
        assert answer["Cross-Origin-Opener-Policy"] == "same-origin"
        rules = policy(answer)
        assert rules["default-src"] == {"'none'"}
        assert rules["frame-ancestors"] == {"'none'"}
        assert rules["base-uri"] == {"'none'"}
        assert rules["form-action"] == {"'self'"}
        assert all(word == "'self'" or word.startswith("'nonce-") for word in rules["script-src"])
        assert "'unsafe-inline'" not in rules["style-src"]
        assert not any("http" in word or "*" in word for words in rules.values() for word in words)


@pytest.mark.django_db
def test_pages_ask_nothing_of_another_host(client):
    client.force_login(factories.person("manager"))
    for url in ("/people/", "/history/", "/people/me/"):
        text = client.get(url).content.decode()
        assert re.findall(r"(?:src|href|action)=\"(?:https?:)?//[^\"]*", text) == []


@pytest.mark.django_db
def test_cookies_are_out_of_reach_of_scripts_and_other_sites(client):
    person = factories.person()
    client.get("/sign-in/")
    client.post("/sign-in/", {"username": person.username, "password": factories.PASSWORD})
    for name in (settings.SESSION_COOKIE_NAME, settings.CSRF_COOKIE_NAME):
        cookie = client.cookies[name]
        assert cookie["httponly"] is True
        assert cookie["samesite"] == "Lax"
        assert cookie["path"] == "/"
        assert not cookie["domain"]


def in_real_settings(*command: str, **env: str) -> subprocess.CompletedProcess[str]:
    """Run a command under the program's own settings, not those of the tests."""
    clean = {name: value for name, value in os.environ.items() if not name.startswith(("LINELOG_", "DJANGO_"))}
    return subprocess.run(
        [sys.executable, *command], cwd=ROOT, env={**clean, **env}, capture_output=True, text=True, timeout=120
    )


SHOW = """
import django
django.setup()
from django.conf import settings as s
print(s.SESSION_COOKIE_SECURE, s.CSRF_COOKIE_SECURE, s.SECURE_SSL_REDIRECT, s.SECURE_HSTS_SECONDS >= 31536000)
print(s.SESSION_COOKIE_NAME, s.CSRF_COOKIE_NAME, s.PASSWORD_HASHERS[0].rsplit(".")[-1], s.DEBUG)
"""


def test_ready_for_deployment_behind_tls(tmp_path):
    real = {"LINELOG_HTTPS": "true", "LINELOG_DATA": str(tmp_path)}
    done = in_real_settings("manage.py", "check", "--deploy", "--fail-level", "WARNING", **real)
    assert done.returncode == 0, done.stderr
    told = in_real_settings("-c", SHOW, DJANGO_SETTINGS_MODULE="linelog.settings", **real)
    assert told.stdout.splitlines() == [
        "True True True True",
        "__Host-session __Host-csrf Argon2PasswordHasher False",
    ], told.stderr


def test_the_program_makes_itself_one_key_that_others_on_the_machine_cannot_read(tmp_path):
    show = "import django; django.setup(); from django.conf import settings; print(settings.SECRET_KEY)"
    real = {"DJANGO_SETTINGS_MODULE": "linelog.settings", "LINELOG_DATA": str(tmp_path / "new")}
    first, second = in_real_settings("-c", show, **real), in_real_settings("-c", show, **real)
    assert len(first.stdout.strip()) >= 64, first.stderr
    assert first.stdout == second.stdout
    assert (tmp_path / "new" / "secret.key").stat().st_mode & 0o077 == 0


def test_people_are_turned_away_by_default():
    """Whoever is nobody, or nobody on a shared tablet, is in no queryset and has no right but the PIN page."""
    nobody = acting.Nobody(None)
    for label in OURS:
        for model in apps.get_app_config(label).get_models():
            manager = getattr(model, "scoped", model._default_manager)
            if hasattr(manager, "for_user"):
                assert manager.for_user(nobody).query.is_empty(), model


def test_nothing_is_tracked_that_nobody_here_wrote():
    """Binaries stand among the fixtures alone, minified libraries in installed packages: both were committed once."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True)
    files = [ROOT / name for name in listed.stdout.split("\0") if name and not name.startswith("fixtures/")]
    read = {path.name: path.read_bytes() for path in files if path.is_file()}
    assert [name for name, content in read.items() if b"\0" in content] == []
    assert [name for name, content in read.items() if max(map(len, content.splitlines()), default=0) > LONGEST] == []
