"""Every refusal is a readable page with the number of the request, and nothing of the program's inside."""

import re

import pytest
from django.contrib.sessions.backends.db import SessionStore
from django.db import OperationalError
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
