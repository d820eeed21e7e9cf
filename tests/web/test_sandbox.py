"""Whatever a file does to the process that reads it, the process that asked goes on and says why."""

import os
import threading
import time

import pytest

from linelog.calc.errors import CalcError
from linelog.web import sandbox
from linelog.web.requestid import OneLine

WRONG = "tests.web.bad_readers:"
SMALL = sandbox.Bounds("tests", memory_bytes=60_000_000, cpu_s=3.0, wall_s=20.0)


def ask(function, bounds=SMALL, **arguments):
    return sandbox.call(WRONG + function, bounds, **arguments)


def why(function, bounds=SMALL, **arguments):
    with pytest.raises(sandbox.Overrun) as caught:
        ask(function, bounds, **arguments)
    assert caught.value.sentence.endswith("refused.")
    return caught.value.why


def test_the_files_are_read_in_one_other_process_until_it_dies():
    first = ask("process")
    assert first != os.getpid()
    assert ask("process") == first
    assert why("crash") == "died"
    assert ask("process") not in {first, os.getpid()}


def test_what_takes_more_memory_than_it_may_ends_alone():
    assert ask("take", how_much=20_000_000) == 20_000_000
    assert why("take", how_much=200_000_000) == "memory"
    assert ask("take", how_much=20_000_000) == 20_000_000


def test_bounds_are_of_one_file_not_of_all_before_it():
    for _ in range(6):
        assert ask("take", how_much=40_000_000) == 40_000_000


def test_what_keeps_a_core_busy_too_long_is_stopped():
    assert why("work_for", sandbox.Bounds("tests", 60_000_000, cpu_s=1.0, wall_s=60.0), seconds=50.0) == "time"


def test_what_waits_for_ever_is_stopped():
    assert why("sleep", sandbox.Bounds("tests", 60_000_000, cpu_s=3.0, wall_s=1.0), seconds=50.0) == "time"


def test_a_refusal_comes_back_as_it_was_raised():
    with pytest.raises(CalcError, match="Line 7") as caught:
        ask("refuse")
    assert caught.value.field == "file"


def test_a_failure_of_a_library_comes_back_without_the_library():
    with pytest.raises(RuntimeError, match="ZeroDivisionError: of a library"):
        ask("break_down")


def test_what_a_library_says_while_it_breaks_is_one_line_of_the_log(caplog):
    with pytest.raises(sandbox.Broken) as caught:
        ask("break_down")
    assert caught.value.sentence.endswith("again.")
    assert why("talk_and_die") == "died"
    for _ in range(100):
        said = [record for record in caplog.records if "says" in record.getMessage()]
        if any("third" in record.getMessage() for record in said):
            break
        time.sleep(0.05)
    assert any("ZeroDivisionError" in record.getMessage() for record in said)
    assert any("first line" in record.getMessage() for record in said)
    for record in said:
        assert "\n" not in OneLine("%(message)s").format(record)


def test_what_is_no_plain_data_is_not_rebuilt_here():
    assert why("smuggle") == "died"


def test_how_far_it_is_is_told_and_stops_it_where_that_raises():
    heard = []
    assert ask("talk", times=3, tell=heard.append) == 3
    assert heard == [0, 1, 2]

    def stop(at):
        raise InterruptedError

    with pytest.raises(InterruptedError):
        ask("talk", times=100_000, tell=stop)
    assert ask("take", how_much=5) == 5  # the answer to this call, not to the last one


def test_many_who_ask_at_once_each_get_their_own_answer():
    found = {}

    def take(much):
        found[much] = ask("take", how_much=much)

    threads = [threading.Thread(target=take, args=(much,)) for much in range(1_000, 9_000, 1_000)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert found == {much: much for much in range(1_000, 9_000, 1_000)}
