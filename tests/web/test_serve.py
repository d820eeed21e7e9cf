"""The one command says what keeps it from starting, before anything is started or stored."""

import socket
import threading

import pytest
from django.core.management import CommandError, call_command
from django.db import OperationalError, connection

from linelog.web.management.commands import serve


def test_a_port_in_use_is_said_before_anything_else_is_done(settings, tmp_path):
    settings.DATA_DIR = tmp_path / "data"
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        with pytest.raises(CommandError, match=f"port {port}: Address already in use; nothing was started"):
            call_command("serve", "--port", str(port))
    assert not settings.DATA_DIR.exists()


def test_an_address_that_is_not_this_machines_is_said(settings, tmp_path):
    settings.DATA_DIR = tmp_path / "data"
    with pytest.raises(CommandError, match=r"Cannot listen on 192\.0\.2\.1"):  # RFC 5737: for documentation alone
        call_command("serve", "--host", "192.0.2.1", "--port", "8170")
    assert not settings.DATA_DIR.exists()


def test_a_database_that_starts_later_is_waited_for(monkeypatch, caplog):
    monkeypatch.setattr(serve, "DATABASE_LOOK_S", 0.0)
    tries = iter([OperationalError("the database system is starting up")] * 2)

    def connect():
        if (trouble := next(tries, None)) is not None:
            raise trouble

    monkeypatch.setattr(connection, "ensure_connection", connect)
    serve._wait_for_database()
    assert caplog.text.count("does not answer yet") == 2


def test_a_database_that_never_comes_ends_the_wait_with_a_sentence(monkeypatch):
    monkeypatch.setattr(serve, "DATABASE_WAIT_S", -1.0)

    def connect():
        raise OperationalError("connection refused")

    monkeypatch.setattr(connection, "ensure_connection", connect)
    with pytest.raises(CommandError, match="The database does not answer: connection refused"):
        serve._wait_for_database()


@pytest.mark.django_db(transaction=True)
def test_with_nothing_to_migrate_it_forks_no_process_and_no_thread_is_left(monkeypatch):
    """What is forked from a process with threads may wait for ever for a lock that one of them held."""
    monkeypatch.setattr(serve, "_apart", lambda *words: pytest.fail(f"ran {words}"))
    before = threading.active_count()
    serve.Command()._migrate()
    assert threading.active_count() == before
