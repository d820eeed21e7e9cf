"""Who writes to SQLite's file stands in one queue: in order, in one process and across two, without asking twice."""

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from django.db import OperationalError, close_old_connections, connection, transaction

from linelog.web.models import Job
from linelog.web.sqlite3 import turns
from tests import factories

PATIENCE_S = 60.0
ROOT = Path(__file__).resolve().parents[2]


def until(happens):
    """Wait for something that another thread or process is about to do."""
    end = time.monotonic() + PATIENCE_S
    while not happens():
        assert time.monotonic() < end, "it never happened"
        time.sleep(0.005)


@pytest.fixture
def queue(tmp_path):
    return turns.Turns(tmp_path / "turns")


def in_a_row(queue, names, work):
    """Have so many threads come one after the other while the turn is taken; each does its work in its turn."""
    found = []

    def comes(name):
        queue.take(PATIENCE_S)
        work(name)
        queue.give()

    for name in names:
        thread = threading.Thread(target=comes, args=(name,))
        thread.start()
        found.append(thread)
        until(lambda: queue.waiting == len(found))
    return found


def test_threads_get_their_turn_in_the_order_they_came(queue):
    served = []
    queue.take(PATIENCE_S)
    threads = in_a_row(queue, range(12), served.append)
    assert served == []
    queue.give()
    for thread in threads:
        thread.join(PATIENCE_S)
    assert served == list(range(12))


def test_who_waits_too_long_leaves_and_holds_up_nobody_behind(queue):
    served = []
    queue.take(PATIENCE_S)
    with pytest.raises(turns.TooLong):
        queue.take(0.01)
    threads = in_a_row(queue, "ab", served.append)
    queue.give()
    for thread in threads:
        thread.join(PATIENCE_S)
    assert served == ["a", "b"]


OTHER = """
import sys
from pathlib import Path
from linelog.web.sqlite3.turns import Turns
queue = Turns(Path(sys.argv[1]))
print("comes", flush=True)
queue.take(600)
print("writes", flush=True)
sys.stdin.readline()
if sys.argv[2] == "gives":
    Path(sys.argv[1] + "-was-here").touch()
    queue.give()
    sys.stdin.readline()
"""


@pytest.fixture
def another_process(queue):
    """A function that starts a process that takes a turn, and ends it at the end."""
    started = []

    def start(then="gives"):
        command = [sys.executable, "-c", OTHER, str(queue._file), then]
        made = subprocess.Popen(
            command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
        )
        started.append(made)
        assert made.stdout.readline() == "comes\n"
        return made

    yield start
    for one in started:
        one.kill()
        one.communicate()


def waits_in_the_kernel(process, queue):
    """Whether the kernel lists the process as waiting for a lock of the file (proc(5), /proc/locks: '->')."""
    inode = f":{queue._file.stat().st_ino}"
    return any(
        "->" in line and f" {process.pid} " in line and inode in line
        for line in Path("/proc/locks").read_text().splitlines()
    )


def lets_in(process):
    process.stdin.write("\n")
    process.stdin.flush()


def test_two_processes_take_turns_also_where_one_comes_back_at_once(queue, another_process):
    queue.take(PATIENCE_S)
    other = another_process()
    until(lambda: waits_in_the_kernel(other, queue))
    queue.give()
    back = threading.Thread(target=queue.take, args=(PATIENCE_S,))
    back.start()  # at once: without the door it would be here again before the other is awake
    assert other.stdout.readline() == "writes\n"
    assert back.is_alive()
    lets_in(other)
    back.join(PATIENCE_S)
    assert not back.is_alive()
    assert Path(f"{queue._file}-was-here").exists()
    queue.give()


@pytest.mark.parametrize("when", ["while it writes", "while it waits"])
def test_a_process_that_is_killed_gives_its_place_up(queue, another_process, when):
    if when == "while it writes":
        other = another_process("dies")
        assert other.stdout.readline() == "writes\n"
    else:
        queue.take(PATIENCE_S)
        other = another_process()
        until(lambda: waits_in_the_kernel(other, queue))
        queue.give()
    other.send_signal(signal.SIGKILL)
    other.wait()
    queue.take(PATIENCE_S)
    queue.give()


def test_a_fork_takes_no_place_with_it(tmp_path):
    mine = turns.before(str(tmp_path / "log.sqlite3"))
    mine.take(PATIENCE_S)
    child = os.fork()
    if child == 0:  # the child finds an empty row of its own, and the chair taken by us
        os._exit(0 if turns.before(str(tmp_path / "log.sqlite3")) is not mine else 1)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    mine.give()


@pytest.mark.sqlite_only
@pytest.mark.django_db(transaction=True)
def test_nobody_has_to_ask_sqlite_twice():
    """With no patience at all SQLite refuses whoever finds its file taken: here nobody ever does."""
    wrong = []

    def writes(number):
        try:
            with connection.cursor() as cursor:
                cursor.execute("PRAGMA busy_timeout=0")
            for _ in range(20):
                with transaction.atomic():
                    Job.objects.create(kind=f"{number}", created_at=factories.NOW)
                Job.objects.filter(kind=f"{number}").update(done=1)  # a transaction of its own
        except OperationalError as trouble:
            wrong.append(trouble)
        finally:
            connection.close()

    threads = [threading.Thread(target=writes, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []
    assert Job.objects.filter(done=1).count() == 120


@pytest.mark.sqlite_only
@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("ends", ["commits", "takes back", "hangs up"])
def test_whatever_ends_a_transaction_gives_the_turn_up(ends):
    queue = turns.before(str(connection.settings_dict["NAME"]))
    if ends == "commits":
        with transaction.atomic():
            Job.objects.create(kind="a", created_at=factories.NOW)
    else:
        with pytest.raises(ZeroDivisionError), transaction.atomic():  # noqa: PT012 - the block is the test
            Job.objects.create(kind="a", created_at=factories.NOW)
            if ends == "hangs up":
                connection.close()
            raise ZeroDivisionError
    close_old_connections()
    queue.take(PATIENCE_S)
    assert queue.waiting == 0
    queue.give()
    assert Job.objects.count() == (1 if ends == "commits" else 0)


@pytest.mark.sqlite_only
@pytest.mark.django_db(transaction=True)
def test_a_turn_that_never_comes_is_a_database_that_is_away(monkeypatch):
    monkeypatch.setitem(connection.settings_dict["OPTIONS"], "timeout", 0.01)
    queue = turns.before(str(connection.settings_dict["NAME"]))
    queue.take(PATIENCE_S)
    with pytest.raises(OperationalError, match="database is locked"), transaction.atomic():
        pass
    queue.give()
    with transaction.atomic():
        Job.objects.create(kind="a", created_at=factories.NOW)
