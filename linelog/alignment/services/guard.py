"""What every write to a visit checks first."""

from __future__ import annotations

from datetime import datetime

from linelog.alignment.models import StationNote, Visit
from linelog.plant.models import Person, Station
from linelog.web import audit
from linelog.web.errors import NotAllowed, Refused
from linelog.web.permissions import Permission, may


def check_may(by: Person, permission: Permission, sentence: str) -> None:
    """Refuse, with the sentence, a person whose role does not give the permission."""
    if not may(by, permission):
        raise NotAllowed(sentence)


def locked_open_visit(visit: Visit, by: Person) -> Visit:
    """Return the visit locked for this transaction; refuse where nothing may be logged in it any more."""
    check_may_log(by)
    fresh = Visit.objects.select_for_update().get(pk=visit.pk)
    if "machine" in visit._state.fields_cache:
        fresh.machine = visit.machine  # already read, with its line and plant
    check_open(fresh)
    return fresh


def check_may_log(by: Person) -> None:
    """Refuse a person who may not log."""
    check_may(by, Permission.LOG_VISIT, "Your role may read visits but not log them.")


def check_open(held: Visit) -> None:
    """Refuse where nothing may be logged in a held visit any more."""
    if held.state == Visit.State.SIGNED:
        raise Refused("This visit is signed and never changes; write an amendment beside it.")
    if held.state == Visit.State.DROPPED:
        raise Refused("This visit was dropped; open a new one.")


def measured_at(visit: Visit, at: datetime) -> datetime:
    """Return when something typed now was measured: what is copied from paper belongs to the day on the paper."""
    return visit.opened_at if visit.from_paper else at


def withdraw_not_touched(visit: Visit, station: Station, by: Person, at: datetime) -> None:
    """Take back that a station was not touched: what was said before a change does not speak of what stands now."""
    if StationNote.objects.filter(visit=visit, station=station, not_touched=True).update(not_touched=False):
        audit.record(by=by, action="took back not touched", obj=station, at=at)
