"""What may go wrong in a process that reads files; called there by name."""

import ctypes
import os
import time
from pathlib import PurePath

from linelog.calc.errors import CalcError


def process():
    """Tell which process this is."""
    return os.getpid()


def take(how_much):
    """Take memory, and use it."""
    return len(bytearray(how_much))


def crash():
    """Read where nothing is."""
    ctypes.string_at(0)


def work_for(seconds):
    """Keep a core busy."""
    until = time.process_time() + seconds
    while time.process_time() < until:
        pass


def sleep(seconds):
    """Wait."""
    time.sleep(seconds)


def refuse():
    """Refuse a file."""
    raise CalcError("Line 7 is no number.", field="file")


def break_down():
    """Fail as a library does."""
    raise ZeroDivisionError("of a library")


def talk_and_die():
    """Say three lines past everything, as a library written in another language does, and end."""
    os.write(2, b"first line\nsecond line\nthird line\n")
    os.abort()


def smuggle():
    """Return what is no plain data."""
    return PurePath("/tmp").joinpath, os.system


def talk(times, tell):
    """Tell how far it is."""
    for at in range(times):
        tell(at)
    return times
