"""Signed visits with static and running values made up, as the tests of the running value need them."""

import datetime as dt
import math

from linelog.alignment.models import Amendment, MoveMade, Result, Visit
from linelog.alignment.models.sweep import Method
from linelog.plant.models import Person
from tests import factories


def signed(machine, day: float, **more):
    """A visit opened on a day after NOW (or before) and signed two hours later."""
    opened = factories.NOW + dt.timedelta(days=day)
    who = Person.objects.filter(plant=machine.line.plant).first() or factories.person("mechanic", machine.line.plant)
    visit = factories.visit(machine, who, opened_at=opened, **more)
    visit.state, visit.signed_by, visit.signed_at = Visit.State.SIGNED, who, opened + dt.timedelta(hours=2)
    return visit


def result(visit, station, stage, x, y, *, method=Method.STATIC, seat="", u=1.0, minutes=60, carried=False):
    radial = math.hypot(x, y)
    return Result(
        visit=visit,
        station=station,
        stage=stage,
        seat=seat,
        method=method,
        x_um=x,
        y_um=y,
        radial_um=radial,
        u_x_um=u,
        u_y_um=u,
        expanded_um=2 * u,
        readings=4,
        verdict="in",
        severity=radial / station.limit_um,
        limit_um=station.limit_um,
        carried=carried,
        algorithm="test",
        at=visit.opened_at + dt.timedelta(minutes=minutes),
    )


def keep(visit, *rows):
    """Store rows of a visit, then its signature: what is signed takes no more."""
    state, visit.state, by, at = visit.state, "open", visit.signed_by, visit.signed_at
    visit.signed_by = visit.signed_at = None
    visit.save()
    for row in rows:
        row.save()
    visit.state, visit.signed_by, visit.signed_at = state, by, at
    visit.save()
    return visit


def moved(visit, station, minutes=30):
    at = visit.opened_at + dt.timedelta(minutes=minutes)
    return MoveMade(visit=visit, station=station, unit="mm", words="moved", by=visit.signed_by, at=at)


def pair(machine, station, day, static, running, **more):
    """One visit that leaves the station at `static` and sees it at `running` after the restart."""
    visit = signed(machine, day)
    seats = station.seats
    rows = [result(visit, station, "as_left", *static, seat=seat, **more) for seat in seats]
    return keep(visit, *rows, result(visit, station, "as_left", *running, method=Method.RUNNING, u=1.5))


def amend(visit, station, **more):
    """Put an amendment beside a signed visit."""
    return Amendment.objects.create(
        visit=visit, station=station, stage="as_left", reason="x", by=visit.signed_by, at=factories.NOW, **more
    )
