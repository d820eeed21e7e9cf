"""The real worker, and the process that reads files for it, killed in the middle of a real capture.

Afterwards the capture is offered again and done from its start, or told with its file's name as what gave no result;
it never stays 'being worked out'. A dead worker is known by a heartbeat of more than two minutes ago
(`jobs.STALE_AFTER`): that time is not waited for here, the heartbeat is put back by as much.
"""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

import pytest

from linelog.web.jobs import MOST_ATTEMPTS
from tests.durability.program import Program, scratch
from tests.postgres import children, runs

PATIENCE_S = 120.0
HELD_S = 4.0  # in which a worker that has its answer stores it and ends the job
PREPARE = "from tests.durability.prepare import captures; captures({names})"


@pytest.fixture(scope="module")
def program() -> Iterator[Program]:
    with scratch() as made:
        made.manage("migrate", "-v0")
        made.start()
        yield made


def rows(program: Program, sql: str, *values: Any) -> list[tuple[Any, ...]]:
    (file,) = Path(program.folder).glob("*.sqlite3")
    with closing(sqlite3.connect(file, timeout=30)) as database:
        found = database.execute(sql, values).fetchall()
        database.commit()
        return found


def stands(program: Program, capture: int) -> dict[str, Any]:
    (row,) = rows(
        program,
        "SELECT c.state, c.sentence, c.result IS NOT NULL, j.id, j.state, j.attempts, j.done, "
        "(SELECT count(*) FROM alignment_capturevalue v WHERE v.capture_id = c.id) "
        "FROM alignment_capture c LEFT JOIN web_job j ON j.id = c.job_id WHERE c.id = ?",
        capture,
    )
    return dict(zip(("state", "sentence", "result", "job", "work", "attempts", "done", "values"), row, strict=True))


def until(asked: Callable[[], Any]) -> Any:
    deadline = time.monotonic() + PATIENCE_S
    while not (found := asked()):
        assert time.monotonic() < deadline, "it did not come to that in time"
        time.sleep(0.02)
    return found


def reader_of(program: Program, job: int) -> tuple[int, int]:
    """Wait until a worker is in the middle of a job; return it, and the process that reads the file, held still.

    In the middle: held still it keeps the job from its end, which a quick machine else reaches within a second.
    """

    def is_at_it() -> bool:
        return rows(program, "SELECT state FROM web_job WHERE id = ?", job) == [("working",)]

    def found() -> tuple[int, int] | None:
        for worker in program.parts("worker") if is_at_it() else ():
            for child in children(worker):
                if runs(child):
                    os.kill(child, signal.SIGSTOP)
                    time.sleep(HELD_S)
                    if is_at_it():
                        return worker, child
                    os.kill(child, signal.SIGCONT)
        return None

    return until(found)


def kill_worker(program: Program, job: int) -> None:
    """Kill the worker at a job without warning; the process that read for it is then asked by nobody and goes too."""
    worker, reader = reader_of(program, job)
    os.kill(worker, signal.SIGKILL)
    os.kill(reader, signal.SIGCONT)
    until(lambda: not runs(worker) and not runs(reader))


def minutes_pass(program: Program, job: int, **also: int) -> None:
    """Put the heartbeat of a job back by as long as a dead worker takes to be known as dead."""
    more = "".join(f", {name} = {value:d}" for name, value in also.items())
    rows(program, f"UPDATE web_job SET heartbeat_at = datetime(heartbeat_at, '-3 minutes'){more} WHERE id = ?", job)


def page_of(program: Program, capture: int, session: str) -> str:
    with closing(HTTPConnection("127.0.0.1", program.port, timeout=30)) as asked:
        asked.request("GET", f"/visits/captures/{capture}/", headers={"Cookie": f"sessionid={session}"})
        return asked.getresponse().read().decode()


@pytest.mark.durability
def test_a_capture_outlives_the_worker_and_the_reader_that_are_killed_in_its_middle(program):
    words = PREPARE.format(names=["first.csv", "second.csv", "third.csv"])
    sent = json.loads(program.manage("shell", "-v0", "-c", words))
    session, (first, second, third) = sent["session"], sent["captures"]

    # The worker dies: offered again, and done from its start by the one that took its place.
    job = stands(program, first)["job"]
    kill_worker(program, job)
    assert {**stands(program, first), "done": 0} == {
        "state": "working",
        "sentence": "",
        "result": 0,
        "job": job,
        "work": "working",
        "attempts": 1,
        "done": 0,
        "values": 0,
    }
    # It is in nobody's hands; the next in turn do not wait for it.
    minutes_pass(program, job)

    # The process that reads the file dies: told with the name of the file.
    job = stands(program, second)["job"]
    _, reader = reader_of(program, job)
    os.kill(reader, signal.SIGKILL)
    until(lambda: stands(program, second)["work"] != "working")
    now = stands(program, second)
    assert (now["state"], now["work"], now["result"], now["values"]) == ("refused", "done", 0, 0)
    assert "This file ended the program that reads it" in now["sentence"]
    page = page_of(program, second, session)
    assert "second.csv" in page
    assert now["sentence"] in page
    assert "Being worked out" not in page

    # The worker dies again and again over one: after so many times it is told, and offered to be worked out anew.
    job = stands(program, third)["job"]
    kill_worker(program, job)
    minutes_pass(program, job, attempts=MOST_ATTEMPTS)
    until(lambda: stands(program, third)["work"] == "failed")
    page = page_of(program, third, session)
    assert "Being worked out" not in page
    assert "third.csv" in page
    assert "Work it out again" in page

    until(lambda: stands(program, first)["state"] == "done")
    now = stands(program, first)
    assert (now["work"], now["attempts"], now["result"]) == ("done", 2, 1)
    assert now["values"] > 0
