"""The process that reads files from outside: told what to call, within bounds of memory and time, over two pipes.

Started by `sandbox.py` with exec, so that it holds nothing of the process that asks: no connection, lock or thread.
It imports what it is told to call and nothing else. A file that ends it, ends only it.
"""

from __future__ import annotations

import importlib
import os
import pickle
import resource
import signal
import struct
import sys
import traceback
from collections.abc import Callable
from typing import IO, Any

from linelog.web.broken import Broken

LENGTH = struct.Struct("<Q")
OURS = "linelog."
NICENESS = 5  # a tablet's reading comes before somebody's file


def send(pipe: IO[bytes], what: Any) -> None:
    """Write one message."""
    message = pickle.dumps(what, protocol=5)
    pipe.write(LENGTH.pack(len(message)))
    pipe.write(message)
    pipe.flush()


def _receive(pipe: IO[bytes]) -> Any:
    """Return the next request; None where nobody asks any more."""
    head = pipe.read(LENGTH.size)
    if len(head) < LENGTH.size:
        return None
    return pickle.loads(pipe.read(LENGTH.unpack(head)[0]))  # noqa: S301 - written by the process that started this one


def _address_space() -> int:
    with open("/proc/self/statm") as statm:
        return int(statm.read().split()[0]) * resource.getpagesize()


def _bound(name: int, limit: int) -> None:
    _, hard = resource.getrlimit(name)
    resource.setrlimit(name, (limit if hard == resource.RLIM_INFINITY else min(limit, hard), hard))


def _within(memory_bytes: int, cpu_s: float) -> None:
    """Give the next call so much more memory than is used now, and so much more time of a processor."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    _bound(resource.RLIMIT_AS, _address_space() + memory_bytes)
    _bound(resource.RLIMIT_CPU, int(used.ru_utime + used.ru_stime + cpu_s) + 1)


def _function(name: str) -> Callable[..., Any]:
    module, _, attribute = name.partition(":")
    found: Callable[..., Any] = getattr(importlib.import_module(module), attribute)
    return found


def _told(error: Exception) -> Exception:
    """Return an error of a library as one that needs no library to be rebuilt."""
    traceback.print_exc()
    return Broken(f"{type(error).__name__}: {error}"[:500])


def _answer(out: IO[bytes], request: dict[str, Any]) -> None:
    function = _function(request["function"])  # what it needs is loaded before its bounds are set
    arguments = dict(request["arguments"])
    if request["tells"]:
        arguments["tell"] = lambda at: send(out, ("progress", at))
    _within(request["memory_bytes"], request["cpu_s"])
    try:
        answer: tuple[str, Any] = ("done", function(**arguments))
    except MemoryError:
        answer = ("memory", None)
    except Exception as error:  # whatever a reader raises over a file, who asked is told of it
        answer = ("raised", error if type(error).__module__.startswith(OURS) else _told(error))
    _bound(resource.RLIMIT_AS, resource.RLIM_INFINITY)
    send(out, answer)
    if answer[0] == "memory":  # what such a file left of this process is nothing to go on with
        os._exit(1)


def main() -> None:
    """Answer until nobody asks any more."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    os.nice(NICENESS)
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever a library prints is no answer
    while (request := _receive(sys.stdin.buffer)) is not None:
        _answer(out, request)


if __name__ == "__main__":
    main()
