"""Keep a library written in C from writing to the process's output, which is the service's log."""

from __future__ import annotations

import ctypes
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager

_OUTPUT = 1
_one_at_a_time = threading.RLock()


@contextmanager
def silenced() -> Iterator[None]:
    """Let nothing that is written to standard output in here reach it, from whatever thread.

    HiGHS writes a line of its own now and then, whatever its options say. What the program logs goes to standard
    error, which is left alone.
    """
    with _one_at_a_time:
        try:
            kept = os.dup(_OUTPUT)
        except OSError:  # a process without an output has nothing to be kept clean
            yield
            return
        _flush()
        nowhere = os.open(os.devnull, os.O_WRONLY)
        try:
            os.dup2(nowhere, _OUTPUT)
            yield
        finally:
            _flush()
            os.dup2(kept, _OUTPUT)
            os.close(kept)
            os.close(nowhere)


def _flush() -> None:
    """Have C write what it holds back."""
    ctypes.CDLL(None).fflush(None)
