"""Connections that send nothing, or send slowly, hold up nobody and are closed in time; sizes have their limits.

The requests are spelled as RFC 9112 has them.
"""

import shutil
import socket
import threading
from collections import namedtuple

import pytest

from linelog.web import server
from linelog.web.server import Server

HEAD = b"GET / HTTP/1.1\r\nHost: localhost\r\n"
LARGE = b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 3000000\r\n"
COOKIE = b"Cookie: sessionid=whatever\r\n"


def application(environ, start_response):
    """Answer with the length of the body."""
    length = len(environ["wsgi.input"].read())
    start_response("200 OK", [("Content-Type", "text/plain")])
    return [f"got {length}".encode()]


@pytest.fixture
def running(monkeypatch):
    """A server with one thread for answers, and limits a test can wait for."""
    for name, value in {"THREADS": 1, "LOOK_EVERY_S": 0, "HEAD_S": 0.4, "BODY_GRACE_S": 0.4, "GRACE_S": 2.0}.items():
        monkeypatch.setattr(server, name, value)
    listener = socket.create_server(("127.0.0.1", 0))
    made = Server(application, listener)
    thread = threading.Thread(target=made.run, daemon=True)
    thread.start()
    made.thread = thread
    yield made
    made.stop()
    thread.join(20)
    made.task_dispatcher.shutdown()
    for channel in list(made.active_channels.values()):
        channel.handle_close()
    made.close()


def connect(server, sent=b""):
    one = socket.create_connection(("127.0.0.1", server.effective_port), timeout=20)
    one.sendall(sent)
    return one


def ask(server, head=HEAD, body=b""):
    """Send one request, return the answer up to the server's end of the connection."""
    with connect(server, head + b"Connection: close\r\n\r\n" + body) as one:
        return until_closed(one)


def until_closed(one):
    heard = b""
    try:
        while piece := one.recv(65_536):
            heard += piece
    except ConnectionResetError:  # closed with something of ours unread
        pass
    return heard


def test_twelve_slow_and_forty_idle_connections_leave_the_one_thread_free(running, monkeypatch):
    monkeypatch.setattr(server, "HEAD_S", 600.0)
    monkeypatch.setattr(server, "BODY_GRACE_S", 600.0)
    crowd = [connect(running) for _ in range(40)]
    crowd += [connect(running, HEAD + b"X-Slow: a") for _ in range(6)]
    crowd += [connect(running, LARGE + COOKIE + b"\r\nabc") for _ in range(6)]
    try:
        for _ in range(5):
            assert ask(running).endswith(b"got 0")
    finally:
        for one in crowd:
            one.close()


@pytest.mark.parametrize("begun", [HEAD + b"X-Slow: a", LARGE + COOKIE + b"\r\nabc"])
def test_a_request_that_does_not_come_to_its_end_is_hung_up_on(running, begun):
    with connect(running, begun) as one:
        assert until_closed(one) == b""


def test_a_connection_that_sends_nothing_is_closed_after_its_idle_time(running, monkeypatch):
    monkeypatch.setattr(server, "IDLE_S", 0.3)
    with connect(running) as one:
        assert until_closed(one) == b""


def test_a_body_is_read_whole_and_one_in_pieces_too(running):
    assert ask(running, LARGE + COOKIE, b"x" * 3_000_000).endswith(b"got 3000000")
    chunked = b"POST / HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n"
    assert ask(running, chunked, b"3\r\nabc\r\n2\r\nde\r\n0\r\n\r\n").endswith(b"got 5")


def test_a_large_body_from_nobody_in_particular_is_refused_before_it_is_sent(running):
    assert ask(running, LARGE).startswith(b"HTTP/1.1 413")


def test_a_large_body_for_which_the_disk_has_no_room_is_refused_before_it_is_sent(running, monkeypatch):
    usage = namedtuple("Usage", "total used free")
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: usage(10**12, 10**12, 10**6))
    answer = ask(running, LARGE + COOKIE)
    assert answer.startswith(b"HTTP/1.1 507")
    assert b"disk is full" in answer


def test_a_body_larger_than_any_limit_and_an_endless_head_are_refused(running):
    assert ask(running, HEAD.replace(b"GET", b"POST") + COOKIE + b"Content-Length: 90000000000\r\n").startswith(
        b"HTTP/1.1 413"
    )
    assert b"got" not in ask(running, HEAD + b"X-Long: " + b"a" * 70_000 + b"\r\n")


def test_the_server_does_not_tell_its_name(running):
    assert b"\r\nserver:" not in ask(running).lower()


def test_after_its_share_of_requests_it_answers_what_it_has_and_ends(running):
    running.left = 2
    assert ask(running).endswith(b"got 0")
    assert ask(running).endswith(b"got 0")
    running.thread.join(20)
    assert not running.thread.is_alive()


def test_the_share_of_requests_differs_from_process_to_process(running):
    shares = set()
    for _ in range(8):
        with socket.create_server(("127.0.0.1", 0)) as listener:
            other = Server(application, listener)
            shares.add(other.left)
            other.task_dispatcher.shutdown()
            other.trigger.close()
    assert len(shares) > 1
    assert all(abs(one / server.LIFE_REQUESTS - 1) <= server.LIFE_JITTER for one in shares)
