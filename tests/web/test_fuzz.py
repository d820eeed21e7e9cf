"""Whatever is typed into the sign-in, PIN, people and history forms, the answer is a page and never a broken one."""

from urllib.parse import quote_from_bytes, urlencode

import pytest
from django.contrib.auth.hashers import make_password
from django.test import Client
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from linelog.plant.models import Person
from linelog.web.models import PinTries
from tests import factories

pytestmark = pytest.mark.django_db
FORM = "application/x-www-form-urlencoded"
FINE = {200, 302, 403, 404, 405, 409, 422, 429, 400}

# Texts of every kind, and among them the ones that have broken programs before.
NASTY = ["", " ", "\x00", "%00", "NaN", "1e308", "-1", "9" * 40, "null", "<script>", "' OR 1=1 --", "\u202e"]
NASTY += ["١٢٣٤", "𝟙𝟚𝟛𝟜"]
texts = st.one_of(st.sampled_from(NASTY), st.text(st.characters(exclude_categories=["Cs"]), max_size=400))
fuzz = settings(
    max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)


def fields(*names):
    """Return forms in which each field may be there, missing, or hold anything."""
    return st.fixed_dictionaries({}, optional=dict.fromkeys(names, texts))


def answered(client, url, data):
    answer = client.post(url, urlencode(data), content_type=FORM)
    assert answer.status_code in FINE, (url, data, answer.status_code)
    return answer


@pytest.fixture
def visitor():
    return Client(raise_request_exception=False)


@pytest.fixture
def mechanic():
    return factories.person("mechanic", pin_hash=make_password("7294"))


@pytest.fixture
def tablet(visitor, mechanic):
    account = factories.person("viewer", mechanic.plant)
    signed = {"username": account.username, "password": factories.PASSWORD, "shared": "on"}
    assert visitor.post("/sign-in/", signed).status_code == 302
    return visitor


@pytest.fixture
def keeper(visitor, mechanic):
    visitor.force_login(factories.person("manager", mechanic.plant))
    return visitor


@fuzz
@given(data=fields("username", "password", "shared", "next"), query=texts)
def test_sign_in(visitor, data, query):
    answered(visitor, f"/sign-in/?{urlencode({'next': query})}", data)
    visitor.cookies.clear()


@fuzz
@given(body=st.binary(max_size=200), name=st.sampled_from(["username", "password", "next", "csrfmiddlewaretoken"]))
def test_sign_in_with_bytes_that_are_no_text(visitor, body, name):
    sent = f"username=x&password=y&{name}={quote_from_bytes(body)}"
    assert visitor.generic("POST", "/sign-in/", sent, content_type=FORM).status_code in FINE
    assert visitor.generic("POST", "/sign-in/", body, content_type=FORM).status_code in FINE
    assert (
        visitor.generic("POST", "/sign-in/", body, content_type="multipart/form-data; boundary=x").status_code in FINE
    )


@fuzz
@given(data=fields("pin", "next"))
def test_pin(tablet, mechanic, data):
    answered(tablet, f"/tablet/{mechanic.pk}/", data)
    Person.objects.filter(pk=mechanic.pk).update(pin_failures=0, pin_locked_until=None)
    PinTries.objects.all().delete()
    assert tablet.get("/people/me/").status_code == 302  # nobody got in


@fuzz
@given(number=st.integers(min_value=0), data=fields("why", "next"))
def test_any_number_for_a_person_and_any_hand_over(tablet, number, data):
    answered(tablet, f"/tablet/{number}/", {"pin": "7294"})
    answered(tablet, "/tablet/hand-over/", data)


@fuzz
@given(data=fields("username", "first_name", "last_name", "role", "unit", "plant", "password", "is_active"))
def test_adding_a_person(keeper, data):
    known = set(Person.objects.values_list("pk", flat=True))
    good = {"username": "ana", "first_name": "Ana", "role": "mechanic", "unit": "mm", "password": "rusty-kettle-77"}
    answered(keeper, "/people/add/", data)
    answer = answered(keeper, "/people/add/", {**good, **data})
    added = Person.objects.exclude(pk__in=known)
    assert added.count() == 0 or answer.status_code == 302
    assert not Person.objects.filter(is_superuser=True).exists()
    added.delete()


@fuzz
@given(data=fields("first_name", "last_name", "role", "unit", "plant", "is_active", "version"))
def test_changing_a_person(keeper, mechanic, data):
    good = {"first_name": "Ana", "role": "mechanic", "unit": "mm", "is_active": "on", "version": 1}
    answered(keeper, f"/people/{mechanic.pk}/", data)
    answered(keeper, f"/people/{mechanic.pk}/", {**good, **data})
    assert not Person.objects.filter(is_superuser=True).exists()


@fuzz
@given(data=fields("pin", "password", "own_password", "unit"), number=st.integers(min_value=0))
def test_secrets_of_others_and_ones_own(keeper, mechanic, data, number):
    for url in (f"/people/{mechanic.pk}/password/", f"/people/{mechanic.pk}/pin/", f"/people/{number}/pin/clear/"):
        answered(keeper, url, data)
    for url in ("/people/me/", "/people/me/pin/", "/people/me/password/"):
        answered(keeper, url, data)


@fuzz
@given(asked=fields("person", "object", "first", "last", "page"), job=st.integers(min_value=0))
def test_history_and_jobs(keeper, asked, job):
    for url in (f"/history/?{urlencode(asked)}", f"/jobs/{job}/"):
        assert keeper.get(url).status_code in FINE
    answered(keeper, f"/jobs/{job}/cancel/", asked)


@fuzz
@given(value=st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=80))
def test_headers_the_browser_sends(tablet, value):
    names = ("HX-Current-URL", "X-Person", "X-Passive", "Referer", "X-Forwarded-Proto")
    headers = {"HX-Request": "true", **dict.fromkeys(names, value)}
    assert tablet.get("/people/", headers=headers).status_code in FINE
    assert tablet.get("/tablet/", headers=headers).status_code in FINE
