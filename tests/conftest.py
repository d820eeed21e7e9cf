"""What every test starts from: no network but this machine."""

import os

import pytest
from django.db.backends.base.operations import BaseDatabaseOperations
from hypothesis import settings as hypothesis_settings
from pytest_socket import socket_allow_hosts

from linelog.web import protection

# A gate must give one answer to one state of the code; elsewhere every run looks somewhere new.
hypothesis_settings.register_profile("gate", derandomize=True)
if os.environ.get("CI") == "true":
    hypothesis_settings.load_profile("gate")


def pytest_runtest_setup() -> None:
    socket_allow_hosts(["127.0.0.1", "localhost", "::1"], allow_unix_socket=True)


@pytest.fixture
def signed_in(client, db):
    """A function that signs a person in and gives the client back."""

    def sign_in(person):
        client.force_login(person)
        return client

    return sign_in


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
