"""How a station stands: its measured verdict beside what it does when the machine runs, and which of them counts.

The running machine counts. A running value that was measured counts before one that is expected; what is expected
counts before the static value where it is proven to be out, where it lies beyond the limit, and where it is trusted
(learned from pairs, or moves on the machine are for the running value). What is trusted can also clear a station that
is out as measured: with the ram hanging it must be.
"""

from dataclasses import dataclass
from enum import Enum

from linelog.calc.verdict import Judged, Verdict


class State(Enum):
    """How a station stands, in a word; the worst first."""

    OUT = "out"
    OUT_RUNNING = "out when running"
    PROBABLY_OUT = "probably out when running"
    READ_AGAIN = "verdict withheld"
    NOT_ALL = "not all swept"
    NOT_PROVEN = "not proven"
    IN = "in"
    NOT_JUDGED = "not judged"
    NOT_MEASURED = "not measured"

    @property
    def rank(self) -> int:
        """0 for the worst."""
        return list(State).index(self)

    @property
    def is_out(self) -> bool:
        """Whether it is proven out, measured or running."""
        return self in (State.OUT, State.OUT_RUNNING)


class Counts(Enum):
    """Which value the state rests on."""

    MEASURED = "measured"
    EXPECTED = "expected"
    RAN = "ran"


class Next(Enum):
    """What is to be done at a station."""

    MEASURE = "measure"
    READ_AGAIN = "read again"
    SWEEP_MORE = "sweep more"
    MEASURE_RUNNING = "measure running"
    MOVE = "move"
    LEAVE = "leave"
    NOTHING = "nothing"


class Running(Enum):
    """What a running value, expected or measured, says against the limit."""

    OUT = "out"
    PROBABLY_OUT = "probably out"
    NOT_PROVEN = "not proven"
    IN = "in"


@dataclass(frozen=True, slots=True)
class Stands:
    """State, the value it rests on, and what is to be done."""

    state: State
    counts: Counts
    then: Next


def running_says(judged: Judged) -> Running:
    """Return what a running value says: beyond the limit without proof is probably out."""
    if judged.verdict is Verdict.NOT_PROVEN:
        return Running.PROBABLY_OUT if judged.severity > 1.0 else Running.NOT_PROVEN
    return Running.OUT if judged.verdict is Verdict.OUT else Running.IN


def stands(
    measured: Judged | None,
    expected: Judged | None,
    ran: Judged | None,
    *,
    trusted: bool = False,
    withheld: bool = False,
    whole: bool = True,
    void: bool = False,
    judged: bool = True,
) -> Stands:
    """Say how a station stands.

    measured  the static value against its limit, its tilt taken in; None where there is none
    expected  what that is expected to be when running; None where nothing is known
    ran       the running value that was measured since the last move; None where there is none
    trusted   whether what is expected may also clear a station that is out as measured
    withheld  the static readings are doubtful and not confirmed: no verdict rests on them,
              but what is out by other readings stays out
    whole     False while a part of the station is not swept: what was swept can prove it out, never in
    void      it was moved, or the ram's line was, since what was swept of it: that tells nothing any more
    judged    False for a place whose readings prove nothing (a dial that rides in its bushing)
    """
    if ran is not None:
        return _of_running(running_says(ran), measured, Counts.RAN)
    if not judged:
        return Stands(State.NOT_JUDGED, Counts.MEASURED, Next.NOTHING)
    if void:
        return _NOT_ALL
    if withheld and (measured is None or measured.verdict is not Verdict.OUT):
        return Stands(State.READ_AGAIN, Counts.MEASURED, Next.READ_AGAIN)
    if measured is None:
        return Stands(State.NOT_MEASURED, Counts.MEASURED, Next.MEASURE)
    if expected is not None and (trusted or running_says(expected) in (Running.OUT, Running.PROBABLY_OUT)):
        found = _of_running(running_says(expected), measured, Counts.EXPECTED)
        return found if whole or found.state is not State.IN else _NOT_ALL
    if not whole and measured.verdict is not Verdict.OUT:
        return _NOT_ALL
    own = {Verdict.OUT: State.OUT, Verdict.NOT_PROVEN: State.NOT_PROVEN, Verdict.IN: State.IN}[measured.verdict]
    return Stands(own, Counts.MEASURED, _NEXT[own])


_NOT_ALL = Stands(State.NOT_ALL, Counts.MEASURED, Next.MEASURE)
_NEXT = {
    State.OUT: Next.MOVE,
    State.OUT_RUNNING: Next.MOVE,
    State.PROBABLY_OUT: Next.MEASURE_RUNNING,
    State.NOT_PROVEN: Next.SWEEP_MORE,
    State.IN: Next.LEAVE,
}


def _of_running(says: Running, measured: Judged | None, counts: Counts) -> Stands:
    out_too = measured is not None and measured.verdict is Verdict.OUT
    if out_too and (says is Running.OUT or (says is Running.PROBABLY_OUT and counts is Counts.EXPECTED)):
        return Stands(State.OUT, counts, Next.MOVE)
    state = {
        Running.OUT: State.OUT_RUNNING,
        Running.PROBABLY_OUT: State.PROBABLY_OUT,
        Running.NOT_PROVEN: State.NOT_PROVEN,
        Running.IN: State.IN,
    }[says]
    return Stands(state, counts, Next.MEASURE_RUNNING if state is State.NOT_PROVEN else _NEXT[state])
