"""Fill a scratch database of the real program for writers, and print what each needs, a line of JSON each."""

from __future__ import annotations

import datetime as dt
import json
import sys
from dataclasses import replace
from typing import Any

from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore
from django.db import transaction
from django.utils import timezone

from linelog.trends import refit
from tests import factories
from tests.alignment.capturing import SHORT, Site, as_csv, frame
from tests.trends import invented


def a_session(person: Any) -> str:
    """Sign a person in without the page."""
    session = SessionStore()
    session[SESSION_KEY] = str(person.pk)
    session[BACKEND_SESSION_KEY] = "django.contrib.auth.backends.ModelBackend"
    session[HASH_SESSION_KEY] = person.get_session_auth_hash()
    session.save()
    return str(session.session_key)


def prepare(writers: int, visits: int) -> None:
    """Make so many people, each with so many visits to machines of their own."""
    line = factories.line()
    for number in range(writers):
        who = factories.person("mechanic", line.plant, username=f"writer{number}")
        own = []
        for _ in range(visits):
            machine = factories.machine(line)
            visit = factories.visit(machine, who, opened_at=timezone.now())
            own.append(
                {
                    "visit": visit.pk,
                    "stations": [[s.pk, list(s.seats)] for s in machine.stations.all() if not s.is_bushing],
                }
            )
        sys.stdout.write(json.dumps({"session": a_session(who), "visits": own}) + "\n")


def captures(names: list[str]) -> None:
    """Send captures so long that a worker takes them; print their numbers and who may look at them."""
    now = timezone.now()
    site = Site()
    content = as_csv(frame(replace(SHORT, strokes=3000.0)))
    numbers = []
    for name in names:
        more = content + b"\n" * len(numbers)  # no two files are the same one
        sent = site.receive(more, name, at=now, recorded_at=now - dt.timedelta(hours=1))
        numbers.append(sent.pk)
    sys.stdout.write(json.dumps({"session": a_session(site.mechanic), "captures": numbers}) + "\n")


def evidence() -> None:
    """Make a plant with counts and visits, all of it noted to be worked out, and a job that waits."""
    now = timezone.now()
    line = factories.line()
    by = factories.person("manager", line.plant)
    for number in range(3):
        machine = factories.machine(line)
        invented.counts(machine, 150, until=now.date() - dt.timedelta(days=1))
        invented.history(machine, by, 5, until=now - dt.timedelta(days=3), every=25, seed=number)
    with transaction.atomic():
        refit.mark_all(line.plant, now)
        refit.offer(line.plant_id, now)
