"""What is logged of places, as the model takes it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from linelog.calc.arrays import BoolArray, FloatArray, IntArray
from linelog.calc.errors import CalcError

Offset = tuple[float, float]
#: Micrometres, million strokes, jolts: nobody saw so many.
MOST = 1e5


@dataclass(frozen=True, slots=True)
class Visited:
    """A visit to a place: offsets (across, up) in um, strokes in millions.

    when      any time that grows; strokes, jolts  since the visit before: strokes, and jams or crashes among them
    found     None where nothing was read as found
    left      read after the work; None where it was left as found and not read again
    moved     whether anything moved it in this visit
    u_um      standard uncertainty that is said of a reading, in each direction
    """

    when: float
    strokes: float
    jolts: int
    found: Offset | None
    left: Offset | None
    moved: bool
    u_um: float


@dataclass(frozen=True, slots=True)
class Track:
    """A place of a machine, its kind and limit, and its visits in the order of time, at least one."""

    machine: int
    kind: str
    limit_um: float
    visits: Sequence[Visited]


@dataclass(frozen=True, slots=True)
class Log:
    """n places at up to t visits each; visits that are not `there` stand last. Offsets and u are shares of the limit.

    strokes, jolts, u, when (n, t); found, left (n, t, 2), nan where not read; moved, there (n, t)
    kind, machine (n,)  numbers; limit_um (n,)
    """

    strokes: FloatArray
    jolts: FloatArray
    found: FloatArray
    left: FloatArray
    moved: BoolArray
    u: FloatArray
    there: BoolArray
    when: FloatArray
    kind: IntArray
    machine: IntArray
    limit_um: FloatArray

    def __len__(self) -> int:
        return len(self.kind)

    def of(self, which: Any) -> Log:
        """Return some of the places."""
        return Log(*(getattr(self, name)[which] for name in self.__slots__))


def log_of(tracks: Sequence[Track], kinds: Sequence[str]) -> Log:
    """Put tracks into arrays; a kind that is not among `kinds` has the number -1."""
    n, t = len(tracks), max((len(one.visits) for one in tracks), default=0)
    shape, numbers = (n, t), {kind: number for number, kind in enumerate(kinds)}
    log = Log(
        strokes=np.zeros(shape),
        jolts=np.zeros(shape),
        found=np.full((*shape, 2), np.nan),
        left=np.full((*shape, 2), np.nan),
        moved=np.zeros(shape, dtype=bool),
        u=np.full(shape, 1e-3),
        there=np.zeros(shape, dtype=bool),
        when=np.full(shape, np.inf),
        kind=np.array([numbers.get(one.kind, -1) for one in tracks], dtype=np.int64),
        machine=np.array([one.machine for one in tracks], dtype=np.int64),
        limit_um=np.array([one.limit_um for one in tracks], dtype=np.float64),
    )
    for place, track in enumerate(tracks):
        _fill(log, place, track)
    return log


def _fill(log: Log, place: int, track: Track) -> None:
    if not 1e-3 < track.limit_um < MOST:
        raise CalcError("A limit must be a usable number above zero.", field="limit_um")
    for number, one in enumerate(track.visits):
        if not all(0.0 <= part < MOST for part in (one.strokes, one.jolts, one.u_um)):
            raise CalcError("Strokes, jolts and uncertainties must be usable numbers from zero up.", field="visits")
        for name, offset in (("found", one.found), ("left", one.left)):
            if offset is not None:
                if not all(abs(part) < MOST for part in offset):
                    raise CalcError("An offset is no usable number.", field="visits")
                getattr(log, name)[place, number] = np.array(offset) / track.limit_um
        log.strokes[place, number] = one.strokes if number else 0.0
        log.jolts[place, number] = one.jolts if number else 0
        log.moved[place, number] = one.moved
        log.u[place, number] = max(one.u_um / track.limit_um, 1e-3)
        log.there[place, number], log.when[place, number] = True, one.when
