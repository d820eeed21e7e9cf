"""Nothing that a library in C writes may reach the output of the process."""

import ctypes
import threading

import pytest

from linelog.calc import plan as planning
from linelog.calc.plan import Job, Window, make_plan
from linelog.calc.quiet import silenced

C = ctypes.CDLL(None)


def told_by_c(text: bytes) -> None:
    C.puts(text)


def flushed(capfd: pytest.CaptureFixture[str]) -> str:
    C.fflush(None)
    return capfd.readouterr().out


def test_what_c_writes_within_is_not_seen_and_what_it_writes_after_is(capfd):
    told_by_c(b"before")
    with silenced():
        told_by_c(b"within")
    told_by_c(b"after")
    assert flushed(capfd).split() == ["before", "after"]


def test_two_threads_leave_the_output_as_it_was(capfd):
    def work() -> None:
        for _ in range(50):
            with silenced():
                told_by_c(b"within")

    both = [threading.Thread(target=work) for _ in range(2)]
    for one in both:
        one.start()
    for one in both:
        one.join()
    told_by_c(b"after")
    assert flushed(capfd).split() == ["after"]


def test_the_search_for_a_plan_is_silent_whatever_its_solver_writes(capfd, monkeypatch):
    whole = planning.scipy.optimize.milp

    def talks(*given, **named):
        told_by_c(b"from the solver")
        return whole(*given, **named)

    monkeypatch.setattr(planning.scipy.optimize, "milp", talks)
    plan = make_plan([Job("B1", "Line 1", 2.0, (10.0,))], [Window("stop", 0, 8.0)], [8.0])
    assert [one.job for one in plan.entries] == ["B1"]
    assert flushed(capfd) == ""
