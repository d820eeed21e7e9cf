"""What others on the machine and on the network get to see: files, the log, health, HEAD, locked names."""

import importlib
import logging
import os
import pkgutil
import re
import stat
import sys
import threading
from pathlib import Path

import pytest
from django import forms
from django.conf import settings as configured
from django.core.files.base import ContentFile
from django.core.files.storage import FileSystemStorage
from django.db import connection
from django.test import Client
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as st
from icalendar import Calendar

import linelog
from linelog.plant.models import Line, Machine
from linelog.web import private, requestid
from linelog.web.forms import TextLine, one_line
from tests import factories
from tests.test_access import EXPECTED
from tests.world import World

pytestmark = pytest.mark.django_db


# Files


def test_what_the_program_makes_is_for_its_own_account_alone(tmp_path):
    mask = os.umask(0o077)
    assert mask == 0o077
    name = FileSystemStorage(location=tmp_path / "media").save("photos/2026/a.jpg", ContentFile(b"x"))
    made = [tmp_path / "media" / part for part in (name, "photos/2026", "photos")]
    assert [oct(stat.S_IMODE(path.stat().st_mode)) for path in made] == ["0o600", "0o700", "0o700"]


@pytest.mark.sqlite_only
def test_the_database_and_what_lies_beside_it_is_for_its_own_account_alone():
    kept = Path(str(connection.settings_dict["NAME"]))
    beside = list(kept.parent.glob(f"{kept.name}*"))
    assert beside
    assert [path.name for path in beside if path.stat().st_mode & 0o077] == []


def test_what_an_earlier_version_left_open_is_shut(tmp_path):
    folder = tmp_path / "data"
    (folder / "media" / "photos").mkdir(parents=True)
    for name, mode in (("linelog.sqlite3", 0o644), ("linelog.sqlite3-wal", 0o664), ("media/photos/a.jpg", 0o666)):
        (folder / name).write_bytes(b"x")
        (folder / name).chmod(mode)
    (folder / "media").chmod(0o755)
    outside = tmp_path / "outside"
    outside.write_bytes(b"x")
    outside.chmod(0o644)
    (folder / "link").symlink_to(outside)
    assert private.shut(folder) >= 4
    kept = [path for path in (folder, *folder.rglob("*")) if not path.is_symlink()]
    assert [path for path in kept if path.stat().st_mode & 0o077] == []
    assert stat.S_IMODE(outside.stat().st_mode) == 0o644, "what a link leads to is not ours"
    assert private.shut(folder) == 0


# Addresses in the log


def written(record):
    made = configured.LOGGING["formatters"]["line"]
    requestid.AddRequestId().filter(record)
    return requestid.OneLine(made["format"], style=made["style"]).format(record)


@pytest.mark.parametrize("kind", ["calendar", "display"])
def test_no_secret_address_is_ever_in_the_log(caplog, kind):
    caplog.set_level(logging.DEBUG)
    world, client = World(), Client(raise_request_exception=False)
    secret = world.calendar_secret if kind == "calendar" else world.display_secret
    path = reverse("planning:feed" if kind == "calendar" else "planning:display", args=[secret])
    for method, url in (
        ("get", path),
        ("head", path),
        ("post", path),
        ("get", path[:-4]),
        ("get", f"{path}/"),
        ("get", path.upper()),
        ("get", path.replace(secret, secret[:12])),
        ("get", f"{path}?x={secret}"),
    ):
        getattr(client, method)(url)
    logging.getLogger("linelog.test").error('"GET %s HTTP/1.1" 200', path)
    lines = [written(record) for record in caplog.records]
    assert [line for line in lines if f"/{kind}/" in line.lower()], "something was logged at all"
    assert [line for line in lines if secret[:12].lower() in line.lower().replace(f"?x={secret}".lower(), "")] == []


def test_what_ends_a_process_or_a_thread_is_one_line_like_every_other(caplog, monkeypatch):
    monkeypatch.setattr(threading, "excepthook", threading.excepthook)  # put back after the test
    monkeypatch.setattr(sys, "excepthook", sys.excepthook)
    requestid.log_crashes()

    def breaks():
        raise RuntimeError("two\nlines")

    thread = threading.Thread(target=breaks, name="some work")
    thread.start()
    thread.join()
    try:
        breaks()
    except RuntimeError:
        sys.excepthook(*sys.exc_info())
    lines = [written(record) for record in caplog.records if record.name == "linelog.web.requestid"]
    assert len(lines) == 2
    assert "thread some work ended" in lines[0]
    assert "the program ended" in lines[1]
    form = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z CRITICAL [\w.]+ request=\S+ person=\S+ .+"
    assert [line for line in lines if not re.fullmatch(form, line)] == []


# Health and HEAD


@pytest.mark.parametrize("host", ["10.20.30.40:8000", "[::1]:8000", "monitor", "b\u00e4d host"])
def test_health_answers_a_monitor_by_address_behind_tls(settings, host):
    settings.ALLOWED_HOSTS, settings.SECURE_SSL_REDIRECT = ["logbook.plant.example"], True
    client = Client()
    answer = client.get("/health", headers={"host": host, "x-forwarded-host": "elsewhere"})
    assert answer.status_code in {200, 503}
    assert set(answer.json()) >= {"ok", "database", "worker", "disk"}
    assert client.get("/sign-in/", headers={"host": "10.20.30.40"}).status_code == 400, (
        "every other page keeps its name"
    )
    assert client.get("/sign-in/", headers={"host": "logbook.plant.example"}).status_code == 301


def test_head_is_answered_wherever_get_is_and_without_a_body():
    world, client, wrong, asked = World(), Client(raise_request_exception=False), [], 0
    client.force_login(world.person("manager"))
    for name, row in EXPECTED.items():
        if "manager" not in row.who or name == "web:sign_out":
            continue
        url = reverse(name, kwargs=row.parts(world) if row.parts else None)
        get, head = client.get(url), client.head(url)
        if get.streaming:
            b"".join(get.streaming_content)
        kind = (head.status_code, head.get("Content-Type")) == (get.status_code, get.get("Content-Type"))
        if not kind or (b"".join(head) if head.streaming else head.content):
            wrong.append((name, get.status_code, head.status_code))
        asked += get.status_code == 200
    assert wrong == []
    assert asked > 60


# Locked names


def test_a_locked_name_is_locked_from_every_address():
    person = factories.person()
    for number in range(5):
        send(person, "wrong", f"10.0.0.{number}")
    assert send(person, factories.PASSWORD, "192.168.7.7").status_code == 429
    assert send(factories.person(), factories.PASSWORD, "10.0.0.1").status_code == 302


def send(person, password, address):
    form = {"username": person.username, "password": password}
    return Client(REMOTE_ADDR=address).post("/sign-in/", form)


# Texts on one line


def every_form():
    for module in pkgutil.walk_packages(linelog.__path__, "linelog."):
        if not re.search(r"\.(settings|wsgi|asgi|management|migrations)\b", module.name):
            importlib.import_module(module.name)
    waiting, found = [forms.BaseForm], set()
    while waiting:
        for form in waiting.pop().__subclasses__():
            waiting.append(form)
            if form.__module__.startswith("linelog."):
                found.add(form)
    return found


def test_every_text_on_one_line_of_every_form_keeps_the_one_rule():
    free = (forms.Textarea, forms.PasswordInput, forms.HiddenInput)
    ruled = (TextLine, forms.RegexField, forms.SlugField, forms.EmailField)
    loose, seen = [], 0
    for form in every_form():
        for name, field in getattr(form, "base_fields", {}).items():
            if isinstance(field, forms.CharField) and not isinstance(field.widget, free):
                seen += 1
                loose += [] if isinstance(field, ruled) else [f"{form.__module__}.{form.__name__}.{name}"]
    signs_in = {name for name in loose if name.endswith(("SignInForm.username", "NewPersonForm.username"))}
    assert sorted(set(loose) - signs_in) == [], "use linelog.web.forms.TextLine for a text on one line"
    assert seen > 30


@given(st.text(max_size=60))
def test_one_line_is_one_line_and_leaves_a_text_that_is_one_alone(text):
    made = one_line(text)
    assert len(made.replace("\x00", "").splitlines()) <= 1
    if len(f".{text}.".splitlines()) == 1 and text.isprintable():
        assert made == text


@pytest.mark.parametrize("end", ["\n", "\r", "\r\n", "\x0b", "\x0c", "\x85", "\u2028", "\u2029"])
def test_a_line_break_in_a_name_breaks_no_calendar_whether_typed_or_stored(end):
    assert TextLine().clean(f" BM{end}END:VCALENDAR ") == "BM END:VCALENDAR"
    world = World()
    Line.objects.filter(pk=world.line.pk).update(name=f"Line{end}END:VCALENDAR{end}X")
    Machine.objects.filter(pk=world.machine.pk).update(name=f"BM{end}1")
    assert world.planned
    answer = Client().get(reverse("planning:feed", args=[world.calendar_secret]))
    calendar = Calendar.from_ical(answer.content)
    assert str(calendar["NAME"]) == "Alignment, Line END:VCALENDAR X"
    assert [str(event["SUMMARY"]) for event in calendar.walk("VEVENT")] == ["Alignment: BM 1"]
