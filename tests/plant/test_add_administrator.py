import io

import pytest
from django.core.management import CommandError, call_command

from linelog.plant.models import Person

pytestmark = pytest.mark.django_db


def add(monkeypatch, name, password):
    monkeypatch.setattr("sys.stdin", io.StringIO(password + "\n"))
    call_command("add_administrator", name, stdout=io.StringIO())


def test_an_empty_installation_gets_an_administrator_who_can_sign_in(client, monkeypatch):
    add(monkeypatch, "ada", "a-long-enough-word")
    person = Person.objects.get()
    assert (person.role, person.plant_id, person.is_staff) == ("administrator", None, True)
    assert client.post("/sign-in/", {"username": "ada", "password": "a-long-enough-word"}).status_code == 302


@pytest.mark.parametrize(("name", "password"), [("ada", "short"), ("ada", "1234567890123")])
def test_a_weak_password_is_refused_in_a_sentence(monkeypatch, name, password):
    with pytest.raises(CommandError, match="password"):
        add(monkeypatch, name, password)
    assert not Person.objects.exists()


def test_a_name_that_is_taken_is_refused(monkeypatch):
    add(monkeypatch, "ada", "a-long-enough-word")
    with pytest.raises(CommandError, match="already signs in"):
        add(monkeypatch, "ada", "another-long-word")
