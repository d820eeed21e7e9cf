"""Queries made ready give, asked again with other values, what Django's own give; sessions from before go on."""

import datetime as dt

import pytest
from django.contrib.auth import BACKEND_SESSION_KEY
from django.contrib.sessions.models import Session
from django.core.exceptions import ObjectDoesNotExist
from django.db import connection
from django.db.models import Q
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from linelog.plant.models import Machine, Person
from linelog.web import backends
from linelog.web.prepared import Prepared, PreparedUpdate
from tests import factories

pytestmark = pytest.mark.django_db


def test_asked_with_other_values_it_finds_other_rows_with_what_belongs_to_them():
    found = Prepared(lambda pk: Person.objects.select_related("plant").filter(pk=pk), pk=int)
    one, other = factories.person(), factories.person()
    for person in (one, other, one):
        (row,) = found.rows(pk=person.pk)
        with CaptureQueriesContext(connection) as asked:
            assert (row, row.plant, row.plant.day_starts) == (person, person.plant, dt.time(6, 0))
        assert len(asked) == 0
    assert found.rows(pk=0) == []
    assert found.rows(pk=10**30) == []
    assert found.first(pk=0) is None


def test_words_and_times_are_put_in_their_places_wherever_they_are_meant():
    person = factories.person(username="anna", first_name="Anna")
    Person.objects.filter(pk=person.pk).update(last_login=factories.NOW)
    found = Prepared(
        lambda name, at: (
            Person.objects.filter(Q(username=name) | Q(first_name=name), last_login__gt=at)
            .order_by()
            .values_list("username", "last_login")
        ),
        name=str,
        at=dt.datetime,
    )
    before = factories.NOW - dt.timedelta(seconds=1)
    assert found.rows(name="anna", at=before) == found.rows(name="Anna", at=before) == [("anna", factories.NOW)]
    assert found.rows(name="anna", at=factories.NOW) == found.rows(name="x' OR '1'='1", at=before) == []


def test_a_value_that_has_no_place_in_the_query_is_told_at_once():
    with pytest.raises(ValueError, match="not found in the SQL: other"):
        Prepared(lambda pk, other: Machine.objects.filter(pk=pk), pk=int, other=int).rows(pk=1, other=2)


def test_an_update_changes_its_own_columns_and_says_so_where_the_row_is_gone():
    update, person = PreparedUpdate(Person, "first_name", "last_login"), factories.person(username="anna")
    for name, at in (("O'Brien", factories.NOW), ("Zoë %s", factories.NOW + dt.timedelta(days=1))):
        person.first_name, person.last_login, person.username = name, at, "somebody else"
        update.store(person)
        row = Person.objects.get(pk=person.pk)
        assert (row.first_name, row.last_login, row.username) == (name, at, "anna")
    with pytest.raises(ObjectDoesNotExist):
        update.store(Person(pk=person.pk + 1, first_name="Nobody", last_login=factories.NOW))


def test_an_update_made_ready_with_a_column_that_is_empty_is_told_at_once():
    with pytest.raises(ValueError, match="without a value"):
        PreparedUpdate(Person, "first_name", "last_login").store(factories.person())


def test_a_session_from_before_goes_on_under_todays_backend(client):
    person = factories.person()
    client.force_login(person)
    session = client.session
    session[BACKEND_SESSION_KEY] = backends.EARLIER
    session.save()
    assert client.get("/people/me/").status_code == 200
    assert client.session[BACKEND_SESSION_KEY] == backends.NAME
    assert client.get("/people/me/").context["user"] == person


def test_a_session_that_ran_out_is_none(client):
    client.force_login(factories.person())
    Session.objects.update(expire_date=timezone.now() - dt.timedelta(seconds=1))
    assert client.get("/people/me/").status_code == 302


def test_two_people_read_together_are_each_handed_out_once():
    one, other = factories.person(), factories.person()
    with CaptureQueriesContext(connection) as asked, backends.read_together(one.pk, other.pk):
        assert (backends.by_number(one.pk), backends.by_number(other.pk)) == (one, other)
        assert len(asked) == 1
        Person.objects.filter(pk=one.pk).update(first_name="Changed")
        assert backends.by_number(one.pk).first_name == "Changed"
    with CaptureQueriesContext(connection) as asked:
        assert backends.by_number(other.pk) == other
    assert len(asked) == 1


@pytest.mark.postgresql_only
def test_the_server_keeps_its_plan_with_a_place_for_the_value_and_keeps_no_other():
    def kept():
        with connection.cursor() as cursor:
            cursor.execute("SELECT name, statement FROM pg_prepared_statements")
            return dict(cursor.fetchall())

    found = Prepared(lambda pk: Person.objects.select_related("plant").filter(pk=pk, username__gt=""), pk=int)
    one, other = factories.person(), factories.person()
    before = kept()
    for person in (one, other, one):
        assert found.first(pk=person.pk) == Person.objects.get(pk=person.pk) == person
    (statement,) = (text for name, text in kept().items() if name not in before)
    assert statement.split(" WHERE ")[1].count("$") == 2


@pytest.mark.postgresql_only
def test_a_connection_that_the_server_ended_is_seen_without_asking_and_one_that_is_there_is_not_asked():
    other = connection.copy()
    try:
        other.ensure_connection()
        with CaptureQueriesContext(other) as asked:
            assert other.is_usable()
        assert len(asked) == 0
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_terminate_backend(%s, 5000)", [other.connection.info.backend_pid])
        assert not other.is_usable()
    finally:
        other.close()
