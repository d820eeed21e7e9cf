"""A bump test is recorded: each reading's part, and what that says of the ring."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction

from linelog.alignment.captures.bumped import as_tested
from linelog.alignment.captures.setting import ring_of
from linelog.alignment.models import BumpTest, ProbeSetup
from linelog.alignment.services.guard import check_may
from linelog.calc.capture.bump import PUSHES, Seen, read_bump
from linelog.calc.capture.results import to_plain
from linelog.plant.models import Person
from linelog.web import audit
from linelog.web.errors import Conflict
from linelog.web.permissions import Permission


def record_bump(*, by: Person, at: datetime, setup: ProbeSetup, version: int, seen: Seen) -> BumpTest:
    """Keep what each reading did at each push; `version` is that of the set-up that the person saw."""
    check_may(by, Permission.LOG_VISIT, "Your role may read captures but not record a bump test.")
    with transaction.atomic():
        fresh = ProbeSetup.objects.select_for_update(of=("self",)).get(pk=setup.pk)
        if fresh.version != version:
            raise Conflict("Somebody else changed this set-up meanwhile: look again, and test what it says now.")
        fresh.machine = setup.machine
        ring = ring_of(fresh, fresh.probes.all())
        outcome = read_bump(ring, seen)
        made = BumpTest.objects.create(
            setup=fresh,
            by=by,
            at=at,
            ring=as_tested(ring),
            seen=[[moved.value for moved in seen[push]] for push in PUSHES],
            right=outcome.right,
            wrong_columns=list(outcome.wrong_columns),
            causes=to_plain(outcome.causes),
        )
        audit.record(
            by=by, action="bump-tested probes", obj=fresh, at=at, after={"right": made.right, "seen": made.seen}
        )
    return made
