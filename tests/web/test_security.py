"""What an attacker would try first, and what of a person's secrets must never be written down.

Each test names the requirement of OWASP ASVS 5.0 that it bears on by chapter; linelog/web/SECURITY.md has the table.
"""

import csv
import io
import logging
import re

import pytest
from django.conf import settings
from django.contrib.auth.hashers import MD5PasswordHasher, make_password
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from linelog.production.models import Event
from linelog.reports.tables.registry import TABLES
from linelog.web import requestid
from tests import factories
from tests.test_access import EXPECTED
from tests.trends import invented
from tests.world import World

pytestmark = pytest.mark.django_db
PIN, WRONG_PIN, WRONG_PASSWORD = "7294", "9061", "not-the-right-password"


# V3, V14: what goes along with every answer, and what stays behind


def test_every_answer_is_for_this_site_alone_and_asks_for_no_device(client, signed_in):
    for answer in (client.get("/sign-in/"), client.get("/no/such/page/"), client.get("/static/web/app.css")):
        assert answer["Cross-Origin-Resource-Policy"] == "same-origin"
        assert "camera=()" in answer["Permissions-Policy"]
        assert "Access-Control-Allow-Origin" not in answer


def test_nothing_that_a_signed_in_person_is_shown_may_be_kept_by_a_cache_others_share():
    world, client, wrong = World(), Client(), []
    client.force_login(world.person("manager"))
    for name, row in EXPECTED.items():
        if "manager" not in row.who or name in {"web:robots", "web:sign_out"}:
            continue
        answer = client.get(reverse(name, kwargs=row.parts(world) if row.parts else None))
        told = {part.strip() for part in answer.get("Cache-Control", "").split(",")}
        if not told & {"no-store", "private"}:
            wrong.append((name, answer.status_code, sorted(told)))
        if answer.streaming:
            b"".join(answer.streaming_content)
    assert wrong == []


def test_signing_out_clears_what_the_browser_kept_but_no_readings_that_wait(signed_in):
    answer = signed_in(factories.person()).post("/sign-out/")
    assert answer["Clear-Site-Data"] == '"cache"'


def test_a_message_to_a_person_is_not_put_into_a_cookie(signed_in):
    person = factories.person("manager")
    client = signed_in(person)
    colleague = factories.person("mechanic", person.plant, pin_hash=make_password(PIN))
    client.post(f"/people/{colleague.pk}/pin/clear/")
    assert set(client.cookies) <= {settings.SESSION_COOKIE_NAME, settings.CSRF_COOKIE_NAME}
    assert "has no PIN now" in client.get("/people/").content.decode()


def test_a_form_without_its_token_changes_nothing_wherever_it_is_sent():
    world, refused, others = World(), 0, []
    client = Client(enforce_csrf_checks=True, raise_request_exception=False)
    client.force_login(world.person("manager"))
    for name, row in EXPECTED.items():
        if "manager" not in row.who:
            continue
        answer = client.post(reverse(name, kwargs=row.parts(world) if row.parts else None))
        refused += answer.status_code == 403
        if answer.status_code not in {403, 405}:
            others.append((name, answer.status_code))
    assert others == []
    assert refused > 40


def test_no_address_takes_a_method_it_does_not_know():
    world, wrong = World(), []
    client = Client(raise_request_exception=False)
    client.force_login(world.person("administrator"))
    for name, row in EXPECTED.items():
        path = reverse(name, kwargs=row.parts(world) if row.parts else None)
        for method in ("TRACE", "PUT", "DELETE"):
            status = client.generic(method, path).status_code
            if status != 405:
                wrong.append((name, method, status))
    assert wrong == []


# V5: files


@pytest.mark.parametrize(
    "path",
    [
        "/static/../linelog/settings.py",
        "/static/%2e%2e/linelog/settings.py",
        "/static/..%2f..%2fetc/passwd",
        "/static/web/..\\..\\settings.py",
        "/media/secret.key",
        "/counts/uploads/template.../../settings.py",
        "/counts/uploads/template.%2e%2e%2fsecret",
        "/visits/photos/..%2f1/",
        "/visits/photos/1%00.jpg/",
    ],
)
def test_no_path_leads_out_of_what_is_served(signed_in, path):
    answer = signed_in(factories.person("manager")).get(path)
    assert answer.status_code == 404
    assert b"SECRET_KEY" not in answer.content


def test_far_too_large_a_request_is_refused_before_it_is_read(client, signed_in, settings):
    settings.UPLOAD_LIMIT_BYTES = 1_000
    says = {"CONTENT_LENGTH": str(settings.DATA_UPLOAD_MAX_MEMORY_SIZE + 1)}
    form = "multipart/form-data; boundary=x"
    assert client.generic("POST", "/sign-in/", b"", form, **says).status_code == 413
    client = signed_in(factories.person("quality"))
    assert client.generic("POST", "/counts/uploads/", b"", form, **says).status_code == 422, "known people send files"
    answer = client.generic("POST", "/counts/uploads/", b"", form, CONTENT_LENGTH="10001001")
    assert answer.status_code == 413
    assert "10.0 MB" in answer.content.decode()


def test_no_length_that_is_no_number_breaks_it(client):
    assert client.generic("POST", "/sign-in/", b"", CONTENT_LENGTH="-1").status_code in {403, 422}
    assert client.generic("POST", "/sign-in/", b"", CONTENT_LENGTH="²").status_code in {403, 422}


FORMULAS = ("=1+1", "+1", "-1+2", "@sum(1)", "\t=1", "\r=1")


def test_no_text_in_any_exported_table_is_taken_for_a_formula(signed_in):
    for formula in FORMULAS:
        machine = factories.machine(factories.line(name=formula), name=formula)
        person = factories.person("manager", machine.line.plant, first_name=formula, last_name="")
        invented.history(machine, person, 3, until=timezone.now())
        invented.counts(machine, 3, until=factories.counted_today())
        Event.objects.create(machine=machine, at=timezone.now(), kind="jam", note=formula, by=person)
        client = signed_in(person)
        paths = ["/counts/export.csv"]
        page = client.get(f"/machines/{machine.pk}/").content.decode()
        names = set(re.findall(rf"/machines/{machine.pk}/numbers/([a-z_-]+)/", page))
        assert len(names) >= 3
        paths += [f"/machines/{machine.pk}/numbers/{name}.csv" for name in names]
        paths += [f"/exports/{name}.csv" for name in TABLES]
        for path in paths:
            answer = client.get(path)
            content = b"".join(answer) if answer.streaming else answer.content
            for row in csv.reader(io.StringIO(content.decode("utf-8-sig"))):
                assert not [cell for cell in row if cell == formula], path


# V6, V7: who is let in


def test_a_name_that_nobody_has_takes_as_much_hashing_and_as_many_tries_as_one_that_somebody_has(client, monkeypatch):
    hashed = []
    encode = MD5PasswordHasher.encode
    monkeypatch.setattr(MD5PasswordHasher, "encode", lambda *args: hashed.append(1) or encode(*args))
    seen = []
    for name in (factories.person(username="known").username, "unknown"):
        before = len(hashed)
        answers = [client.post("/sign-in/", {"username": name, "password": WRONG_PASSWORD}) for _ in range(6)]
        texts = [re.sub(r'[0-9a-f]{12}|value="[^"]*"|csrf[^>]*|x-csrf[^>]*', "", a.content.decode()) for a in answers]
        seen.append(([answer.status_code for answer in answers], len(hashed) - before, texts))
    assert seen[0] == seen[1]
    assert seen[0][0] == [422] * 4 + [429] * 2


@pytest.mark.parametrize("method", ["get", "head"])
def test_nothing_is_changed_by_looking(method, signed_in):
    client = signed_in(factories.person("manager"))
    assert getattr(client, method)("/sign-out/").status_code == 405
    assert client.get("/people/").status_code == 200


def test_a_session_that_was_made_up_is_not_taken_over(client):
    client.cookies[settings.SESSION_COOKIE_NAME] = "a" * 32
    person = factories.person()
    client.post("/sign-in/", {"username": person.username, "password": factories.PASSWORD})
    assert client.cookies[settings.SESSION_COOKIE_NAME].value != "a" * 32


# V16: what is written down


@pytest.fixture
def lines(caplog):
    """A function that gives everything logged so far, as the program's own handler would write it."""
    made = settings.LOGGING["formatters"]["line"]
    formatter = requestid.OneLine(made["format"], style=made["style"])
    caplog.set_level(logging.DEBUG)
    caplog.handler.addFilter(requestid.AddRequestId())

    def written() -> list[str]:
        return [formatter.format(record) for record in caplog.records]

    return written


def test_no_password_pin_or_session_is_ever_in_the_log(client, lines):
    account = factories.person("viewer")
    mechanic = factories.person("mechanic", account.plant, pin_hash=make_password(PIN))
    client.post("/sign-in/", {"username": account.username, "password": WRONG_PASSWORD})
    client.post("/sign-in/", {"username": WRONG_PASSWORD, "password": WRONG_PASSWORD})
    sessions = set()

    def send(url, data):
        answer = client.post(url, data)
        sessions.add(client.cookies[settings.SESSION_COOKIE_NAME].value)
        return answer.status_code

    good = {"username": account.username, "password": factories.PASSWORD, "shared": "on"}
    assert send("/sign-in/", good) == 302
    assert send(f"/tablet/{mechanic.pk}/", {"pin": WRONG_PIN}) == 422
    assert send(f"/tablet/{mechanic.pk}/", {"pin": PIN}) == 302
    own = {"made_for": str(mechanic.pk), "own_password": WRONG_PASSWORD}
    assert send("/people/me/pin/", {"pin": "5083", **own}) == 422
    own["own_password"] = factories.PASSWORD
    assert send("/people/me/password/", {"password": "a-new-long-password", **own}) == 302
    client.get("/no/such/page/")
    text = "\n".join(lines())
    assert "wrong PIN for person" in text, "something was logged at all"
    assert len(sessions) >= 2
    tokens = (
        {client.cookies[settings.CSRF_COOKIE_NAME].value} if settings.CSRF_COOKIE_NAME in client.cookies else set()
    )
    secrets = {WRONG_PASSWORD, factories.PASSWORD, "a-new-long-password", mechanic.pin_hash}
    assert [secret for secret in secrets | sessions | tokens if secret in text] == []
    # Four digits stand by chance in a moment or the number of a request; as a word of their own they are a PIN.
    assert [pin for pin in (PIN, WRONG_PIN, "5083") if re.search(rf"(?<![\w.]){pin}(?!\w)", text)] == []


def test_a_refusal_in_the_log_carries_the_number_that_its_page_shows_and_who_it_was(signed_in, lines):
    person = factories.person("viewer")
    answer = signed_in(person).get("/people/")
    assert answer.status_code == 403
    number = answer["X-Request-Id"]
    assert number in answer.content.decode()
    told = [line for line in lines() if "Forbidden" in line]
    assert len(told) == 1
    assert f"request={number} person={person.pk} " in told[0]


def test_whatever_is_sent_makes_one_line_of_the_log(client, lines):
    client.get("/no/such/page/%0a2026-01-01T00:00:00.000Z ERROR forged request=- person=1 a line of its own")
    logging.getLogger("linelog.test").warning("asked for %s", "x\r\nERROR forged\u2028y\x85z")
    try:
        raise RuntimeError("two\nlines")
    except RuntimeError:
        logging.getLogger("linelog.test").exception("broke")
    written = lines()
    assert len(written) >= 3
    form = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z [A-Z]+ [\w.]+ request=(-|[0-9a-f]{12}) person=(-|\d+) .+"
    assert [line for line in written if len(line.splitlines()) != 1 or not re.fullmatch(form, line)] == []
    assert "Traceback" in written[-1]
