"""What every test starts from: no network but this machine."""

import pytest
from pytest_socket import socket_allow_hosts


def pytest_runtest_setup() -> None:
    socket_allow_hosts(["127.0.0.1", "localhost", "::1"], allow_unix_socket=True)


@pytest.fixture
def signed_in(client, db):
    """A function that signs a person in and gives the client back."""

    def sign_in(person):
        client.force_login(person)
        return client

    return sign_in
