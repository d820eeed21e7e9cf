"""A part that ends is started again, with a pause that grows, and no part outlives the program."""

import logging
import os
import signal
import subprocess
import sys
import time
from itertools import islice
from pathlib import Path

import pytest

from linelog.web.supervise import LONGEST_PAUSE_S, Part, pause_after

# Parts and program write to one pipe: each line goes out whole, also where Python is told not to buffer.
SAY = """
import os
def say(*words):
    os.write(1, (" ".join(map(str, words)) + "\\n").encode())
"""
# A program with two parts that say their numbers: one sleeps, one ends as told.
PROGRAM = f"""{SAY}
import logging, os, sys, time
from linelog.web.supervise import Part, keep_running
logging.basicConfig(level=logging.INFO, format="%(message)s", stream=sys.stdout)
def sleeps():
    say("asleep", os.getpid())
    time.sleep(600)
def ends():
    say("ends", os.getpid())
    os._exit(3)
parts = [Part("sleeper", sleeps)] + [Part("ender", ends)] * (sys.argv[1] == "ending")
keep_running(parts, lambda: say("started"))
say("stopped")
"""


@pytest.fixture
def program():
    made = []

    def start(how="", text=PROGRAM):
        command = [sys.executable, "-c", text, how]
        made.append(subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True))
        return made[-1]

    yield start
    for one in made:
        one.kill()
        one.wait()
        one.stdin.close()
        one.stdout.close()


def number_after(program, word):
    """Read on until a line begins with the word; return the number in it."""
    for line in program.stdout:
        if line.startswith(word):
            return int(line.split()[1])
    raise AssertionError(f"no line begins with {word}")


def is_alive(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] not in "ZX"
    except (FileNotFoundError, ProcessLookupError):
        return False


def wait_until_gone(pid):
    while is_alive(pid):  # the run as a whole has its limit; no time is asserted
        time.sleep(0.02)


def test_a_part_killed_is_started_again_and_the_log_says_why(program):
    one = program()
    first = number_after(one, "asleep")
    assert Path(f"/proc/{first}/comm").read_text().strip() == "sleeper"
    os.kill(first, signal.SIGKILL)
    line = next(line for line in one.stdout if line.startswith("part"))
    assert "part sleeper ended by signal SIGKILL" in line
    second = number_after(one, "asleep")
    assert second != first
    assert is_alive(second)
    one.terminate()
    assert [line for line in one.stdout if line == "stopped\n"]
    assert one.wait() == 0
    assert not is_alive(second)


def test_the_program_killed_takes_its_parts_with_it(program):
    one = program()
    part = number_after(one, "asleep")
    one.kill()
    one.wait()
    wait_until_gone(part)


def test_a_part_that_cannot_start_is_tried_again_at_growing_distance_while_the_others_go_on(program):
    one = program("ending")
    lines = list(islice((line for line in one.stdout if line.startswith("part")), 3))
    assert all("part ender ended with code 3" in line for line in lines)
    pauses = [float(line.split("again in ")[1].split()[0]) for line in lines]
    assert pauses == sorted(pauses)
    assert pauses[0] < pauses[-1]


def test_the_pause_grows_to_a_limit_within_the_ten_seconds_in_which_the_site_is_to_be_back():
    pauses = [pause_after(times) for times in range(40)]
    assert pauses == sorted(pauses)
    assert pauses[0] == 0.0
    assert pauses[-1] == LONGEST_PAUSE_S < 10.0


def test_a_part_that_ran_long_is_started_at_once(caplog):
    part = Part("one", lambda: None, started=0.0, ended_soon=5)

    class Ended:
        exitcode, pid = -signal.SIGSEGV, None

    part.process = Ended()
    with caplog.at_level(logging.ERROR):
        part.gone(3600.0)
    assert part.due == 3600.0
    assert "SIGSEGV" in caplog.text


MEANWHILE = f"""{SAY}
import os, time
from linelog.web.supervise import Part, keep_running
def sleeps():
    say("asleep", os.getpid())
    time.sleep(600)
def first():
    say("first", os.getpid())
    time.sleep(600)
def load():
    say("loading", input())
parts = [Part("sleeper", sleeps)]
keep_running(parts, lambda: say("started"), meanwhile=Part("first", first), load=load)
"""


def test_one_part_is_there_while_the_rest_is_loaded_and_goes_when_the_others_are_there(program):
    one = program(text=MEANWHILE)
    first = number_after(one, "first")
    assert is_alive(first)
    one.stdin.write("7\n")
    one.stdin.flush()
    assert number_after(one, "loading") == 7
    part = number_after(one, "asleep")
    wait_until_gone(first)
    one.terminate()
    assert one.wait() == 0
    assert not is_alive(part)


def test_a_program_told_to_stop_while_it_loads_leaves_no_part(program):
    one = program(text=MEANWHILE)
    first = number_after(one, "first")
    one.terminate()
    one.stdin.write("7\n")
    one.stdin.flush()
    assert one.wait() == 0
    assert not is_alive(first)
