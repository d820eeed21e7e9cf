"""Every refusal is a readable page with the number of the request, and nothing of the program's inside."""

import re
import sqlite3
from contextlib import closing

import pytest
from django.contrib.sessions.backends.db import SessionStore
from django.db import InterfaceError, OperationalError, connection
from django.test import Client

from linelog.web import errors
from linelog.web.views import history
from tests import factories

pytestmark = pytest.mark.django_db


def number(answer):
    shown = re.search(r"<code>([0-9a-f]{12})</code>", answer.content.decode())
    assert shown, answer.content.decode()[:2000]
    assert shown[1] == answer["X-Request-Id"]
    return shown[1]


@pytest.fixture
def visitor():
    """A browser that checks form tokens and lets errors become pages, as in real use."""
    made = Client(enforce_csrf_checks=True, raise_request_exception=False)
    made.force_login(factories.person("manager"))
    return made


def test_404(visitor):
    answer = visitor.get("/no/such/page/")
    assert answer.status_code == 404
    number(answer)


def test_403(visitor):
    answer = visitor.get("/admin/")
    assert answer.status_code == 403
    number(answer)


def test_a_form_out_of_date_is_403_and_says_what_to_do(visitor):
    answer = visitor.post("/people/add/", {})
    assert answer.status_code == 403
    assert "Reload the page" in answer.content.decode()
    number(answer)


def test_405_says_what_the_address_takes(visitor):
    answer = visitor.get("/sign-out/")
    assert answer.status_code == 405
    assert answer["Allow"] == "POST"
    number(answer)


def test_400_for_a_host_that_is_not_ours_and_for_too_many_fields(visitor, client):
    answer = visitor.get("/", headers={"Host": "evil.example"})
    assert answer.status_code == 400
    number(answer)
    answer = client.post("/sign-in/", {f"f{n}": "" for n in range(2001)})
    assert answer.status_code == 400
    number(answer)


def test_500_shows_a_number_and_nothing_of_the_inside(visitor, monkeypatch):
    def broken(*args, **kwargs):
        raise RuntimeError("the secret inside")

    monkeypatch.setattr(history.history, "for_user", broken)
    answer = visitor.get("/history/")
    assert answer.status_code == 500
    assert "the secret inside" not in answer.content.decode()
    assert "Traceback" not in answer.content.decode()
    number(answer)


def test_500_is_readable_even_with_the_database_gone(visitor, monkeypatch):
    def gone(*args, **kwargs):
        raise OperationalError("gone")

    monkeypatch.setattr(SessionStore, "load", gone)
    answer = visitor.get("/history/")
    assert answer.status_code == 500
    assert "What was saved before is safe" in answer.content.decode()
    number(answer)


class Caused(OperationalError):
    """An error as Django hands it on: what the driver said is its cause."""

    def __init__(self, state):
        super().__init__("driver's words")
        self.__cause__ = RuntimeError()
        self.__cause__.sqlstate = state


AWAY = [
    *(Caused(state) for state in (None, "08006", "53300", "57P01", "57P03")),  # PostgreSQL's manual, appendix A
    OperationalError("database is locked"),
    OperationalError("unable to open database file"),
    InterfaceError("the connection is closed"),
]


@pytest.mark.parametrize("trouble", AWAY, ids=repr)
def test_503_while_the_database_is_away_loads_again_by_itself(visitor, monkeypatch, trouble):
    def gone(*args, **kwargs):
        raise trouble

    monkeypatch.setattr(SessionStore, "load", gone)
    answer = visitor.get("/history/")
    assert answer.status_code == 503
    assert answer["Refresh"] == answer["Retry-After"] == str(errors.AGAIN_AFTER_S)
    assert "loads again by itself" in answer.content.decode()
    number(answer)
    sent = visitor.post("/visits/start/", {})
    assert sent.status_code == 503
    assert "Refresh" not in sent.headers  # a form is not sent twice by a page
    assert "send it again" in sent.content.decode()


@pytest.mark.parametrize("state", ["40P01", "57014", "53100", "55P03"])  # a deadlock, a full disk ...
def test_other_trouble_of_the_database_stays_ours(visitor, monkeypatch, state):
    def wrong(*args, **kwargs):
        raise Caused(state)

    monkeypatch.setattr(SessionStore, "load", wrong)
    assert visitor.get("/history/").status_code == 500


@pytest.mark.sqlite_only
@pytest.mark.django_db(transaction=True)
def test_503_while_another_program_holds_the_embedded_database(visitor):
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA busy_timeout=50")
    with closing(sqlite3.connect(connection.settings_dict["NAME"], isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        client = Client(raise_request_exception=False)
        answer = client.post("/sign-in/", {"username": "somebody", "password": "something"})
        other.execute("ROLLBACK")
    assert answer.status_code == 503
    assert client.post("/sign-in/", {"username": "somebody", "password": "something"}).status_code == 422


def test_for_htmx_it_is_a_fragment(visitor):
    answer = visitor.get("/no/such/page/", headers={"HX-Request": "true"})
    text = answer.content.decode().strip()
    assert text.startswith("<section")
    assert "<html" not in text


def test_a_refusal_no_form_caught_has_its_own_status(visitor, monkeypatch):
    for kind, status in ((errors.Refused, 422), (errors.NotAllowed, 403), (errors.Conflict, 409)):

        def refuse(*args, kind=kind, **kwargs):
            raise kind("One clear sentence.")

        monkeypatch.setattr(history.history, "for_user", refuse)
        answer = visitor.get("/history/")
        assert answer.status_code == status
        assert "One clear sentence." in answer.content.decode()
        number(answer)


def test_a_view_that_names_no_permission_is_refused(visitor, settings, caplog):
    settings.ROOT_URLCONF = "tests.web.open_urls"
    assert visitor.get("/forgotten/").status_code == 403
    assert "names no permission" in caplog.text
