"""Tell what has changed to whoever keeps something that rests on it, without knowing who that is.

An app that may know of the other follows it by name, once, in its `ready`:

    followers.follow(followers.COUNTS, mark_stale)

A service tells in the transaction of the change itself. A follower does no more there than leave a note in the
database: the note is stored with the change or not at all, so that none is ever lost, and the work that it asks for
is done later, by a worker.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, datetime

COUNTS = "counts"  # shift counts were entered, changed or taken out
VISITS = "visits"  # a visit was signed, or a signed one amended
TOOLING = "tooling"  # a tooling set was fitted or taken off
RUNNING = "running"  # what is expected of a machine running changed: its ram, or what its moves are for
EVENTS = "events"  # an event that was noted in error was taken out
FINDINGS = (
    "findings"  # a finding was entered or taken out, or what it tells of a machine, a day or a defect corrected
)
CLOCK = "clock"  # the production day begins at another time, or the plant is in another time zone


@dataclass(frozen=True, slots=True)
class Change:
    """What changed of which machines of a plant; `more_to_come` while a long import is still under way.

    Nothing of a production day before `first_day` changed; None where that is not known.
    """

    what: str
    plant_id: int
    machines: frozenset[int]
    at: datetime
    more_to_come: bool = False
    first_day: date | None = None


Follower = Callable[[Change], None]
_followers: dict[str, list[Follower]] = {}


def follow(what: str, follower: Follower) -> None:
    """Call the follower at every change of this kind; following twice is following once."""
    known = _followers.setdefault(what, [])
    if follower not in known:
        known.append(follower)


def tell(
    what: str,
    *,
    plant_id: int,
    machines: Iterable[int],
    at: datetime,
    more_to_come: bool = False,
    first_day: date | None = None,
) -> None:
    """Tell of a change, in the transaction that makes it."""
    change = Change(what, plant_id, frozenset(machines), at, more_to_come, first_day)
    for follower in _followers.get(what, ()):
        follower(change)
