"""The bump test of a ring: the ram is pushed by hand, and what each reading does tells which probe it is.

Two probes swapped, or a ring turned, give a capture that looks sound and points the wrong way: its figures cannot
show it. A push toward 12 and one toward 3 can, for they tell across from up and left from right.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from enum import Enum
from itertools import combinations

from linelog.calc.capture.ring import Probe, Ring

#: Clock angles of the pushes: toward 12 and toward 3, in the view of the set-up.
PUSHES = (0.0, 90.0)
#: A probe that sees a smaller share of the push may seem to stay; one that sees less than the other must. No source.
_SEEN, _UNSEEN = 0.45, 0.2
_TURN_DEG = 30.0


class Moved(Enum):
    """What a reading did while the ram was pushed."""

    RISES = "rises"
    FALLS = "falls"
    STAYS = "stays"


Seen = Mapping[float, tuple[Moved, ...]]


class Wrong(Enum):
    """What is wrong with a ring, where one thing explains all that was seen."""

    SWAPPED = "swapped"
    REVERSED = "reversed"
    MIRRORED = "mirrored"
    TURNED = "turned"
    ALL_REVERSED = "all reversed"
    DEAD = "dead"


@dataclass(frozen=True, slots=True)
class Cause:
    """One explanation: what, of which columns, turned clockwise by how much."""

    what: Wrong
    columns: tuple[str, ...] = ()
    degrees: float = 0.0


@dataclass(frozen=True, slots=True)
class Outcome:
    """Whether the ring is as its set-up says; else what would explain what was seen, the simplest first."""

    right: bool
    wrong_columns: tuple[str, ...] = ()
    causes: tuple[Cause, ...] = ()


def allowed(probe: Probe, push_deg: float) -> frozenset[Moved]:
    """Return what a probe's reading may do when the ram is pushed toward a clock angle, in the view of the set-up."""
    toward = math.cos(math.radians(probe.angle_deg - push_deg))
    moves = Moved.RISES if toward * probe.scale_um_per_unit > 0.0 else Moved.FALLS
    if abs(toward) >= _SEEN:
        return frozenset({moves})
    return frozenset({Moved.STAYS} if abs(toward) <= _UNSEEN else {Moved.STAYS, moves})


def read_bump(ring: Ring, seen: Seen) -> Outcome:
    """Compare what each probe did, in the order of the ring, at each push (`PUSHES`) with what the set-up says."""
    wrong = _wrong_columns(ring, seen)
    if not wrong:
        return Outcome(True)
    dead = tuple(
        probe.column
        for number, probe in enumerate(ring.probes)
        if all(moved[number] is Moved.STAYS for moved in seen.values())
    )
    found = [Cause(Wrong.DEAD, dead)] if dead else []
    found += [cause for cause, other in _alternatives(ring) if not _wrong_columns(other, seen)]
    return Outcome(False, wrong, tuple(found))


def _wrong_columns(ring: Ring, seen: Seen) -> tuple[str, ...]:
    return tuple(
        probe.column
        for number, probe in enumerate(ring.probes)
        if any(moved[number] not in allowed(probe, push) for push, moved in seen.items())
    )


def _alternatives(ring: Ring) -> Iterator[tuple[Cause, Ring]]:
    """Yield rings with one thing wrong: what it is, and how the probes then really stand."""
    probes = ring.probes
    for one in range(len(probes)):
        yield Cause(Wrong.REVERSED, (probes[one].column,)), _with(ring, {one: _reversed(probes[one])})
    for one, two in combinations(range(len(probes)), 2):
        swapped = {
            one: replace(probes[one], angle_deg=probes[two].angle_deg),
            two: replace(probes[two], angle_deg=probes[one].angle_deg),
        }
        yield Cause(Wrong.SWAPPED, (probes[one].column, probes[two].column)), _with(ring, swapped)
    mirrored = {number: replace(probe, angle_deg=-probe.angle_deg) for number, probe in enumerate(probes)}
    yield Cause(Wrong.MIRRORED), _with(ring, mirrored)
    for step in range(1, round(360.0 / _TURN_DEG)):
        by = step * _TURN_DEG
        turned = {number: replace(probe, angle_deg=probe.angle_deg + by) for number, probe in enumerate(probes)}
        yield Cause(Wrong.TURNED, degrees=by), _with(ring, turned)
    yield Cause(Wrong.ALL_REVERSED), _with(ring, {number: _reversed(probe) for number, probe in enumerate(probes)})


def _reversed(probe: Probe) -> Probe:
    return replace(probe, scale_um_per_unit=-probe.scale_um_per_unit)


def _with(ring: Ring, changed: Mapping[int, Probe]) -> Ring:
    return replace(ring, probes=tuple(changed.get(number, probe) for number, probe in enumerate(ring.probes)))
