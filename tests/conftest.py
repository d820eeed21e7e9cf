"""What every test starts from: no network but this machine, and a database that is migrated once."""

import os
from pathlib import Path

import pytest
from django.db import connection, transaction
from django.db.backends.base.operations import BaseDatabaseOperations
from hypothesis import settings as hypothesis_settings
from pytest_socket import socket_allow_hosts

from linelog.alignment import kept_knowledge
from linelog.web import protection
from tests import factories, kept_database

# A gate must give one answer to one state of the code; elsewhere every run looks somewhere new. No test has a
# deadline: on a busy machine it would fail for the machine's sake.
hypothesis_settings.register_profile("anywhere", deadline=None)
hypothesis_settings.load_profile("anywhere")
hypothesis_settings.register_profile("gate", derandomize=True, deadline=None)
if os.environ.get("CI") == "true":
    hypothesis_settings.load_profile("gate")


LONG = {
    "test_access.py",
    "test_migrations.py",
    "test_backup.py",
    "test_fuzz.py",
    "test_one_answer.py",
    "test_typing.py",
}


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what speaks of the other database; it is run on that one."""
    other = "sqlite_only" if connection.vendor == "postgresql" else "postgresql_only"
    gone = [item for item in items if item.get_closest_marker(other)]
    config.hook.pytest_deselected(items=gone)
    items[:] = [item for item in items if not item.get_closest_marker(other)]
    items.sort(key=lambda item: item.path.name not in LONG)  # begun last they would leave the other processes idle


def pytest_runtest_setup() -> None:
    socket_allow_hosts(["127.0.0.1", "localhost", "::1"], allow_unix_socket=True)


@pytest.fixture(scope="session")
def _kept_database(django_db_modify_db_settings: None) -> kept_database.Kept | None:
    """Start SQLite from the database that is kept; PostgreSQL makes its own."""
    name = connection.settings_dict["TEST"]["NAME"]
    return kept_database.Kept(Path(name)) if connection.vendor == "sqlite" else None


@pytest.fixture(scope="session")
def django_db_setup(_kept_database: kept_database.Kept | None, django_db_setup: None) -> None:
    """Keep a database that had to be made."""
    if _kept_database is not None:
        _kept_database.made()


@pytest.fixture(scope="session")
def django_db_keepdb() -> bool:
    """Let a database that is there already stay; the folder it lies in goes with the run."""
    return connection.vendor == "sqlite"


@pytest.fixture(autouse=True)
def _nothing_kept_of_the_test_before():
    """Every test has a database of its own, in which the same numbers may mean other machines."""
    kept_knowledge.forget()


@pytest.fixture
def signed_in(client, db):
    """A function that signs a person in and gives the client back."""

    def sign_in(person):
        client.force_login(person)
        return client

    return sign_in


@pytest.fixture(scope="module")
def kept_by_the_module(django_db_setup, django_db_blocker):
    """The database for what all tests of a module look at and none changes for good: made once, undone at its end.

    A test that also asks for `db` writes in a transaction of its own inside this one.
    """
    with django_db_blocker.unblock(), transaction.atomic():
        yield
        transaction.set_rollback(True)


@pytest.fixture
def no_ram(monkeypatch):
    """Machines without a ram on record: what is expected of them running is not known, so measured values count."""
    monkeypatch.setitem(factories.BODYMAKER_GEOMETRY, "overhang_mm", None)


@pytest.fixture(scope="session", autouse=True)
def _tables_can_be_emptied_between_tests():
    """Django empties all tables after a test that commits; signed records refuse that unless it is lifted."""
    emptying = BaseDatabaseOperations.execute_sql_flush

    def lifted(self, sql_list):
        with protection.lifted(self.connection.alias):
            emptying(self, sql_list)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(BaseDatabaseOperations, "execute_sql_flush", lifted)
        yield
