"""What happened to a machine in a span: visits, tooling changes, jams and other events."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from django.db.models import Q

from linelog.alignment.models import Visit
from linelog.plant.models import Fitting, Machine
from linelog.production.days import day_begins
from linelog.production.queries import events
from linelog.trends.addresses import visit_url


class MarkKind(StrEnum):
    """What a mark on the time axis stands for."""

    VISIT = "visit"
    TOOLING = "tooling"
    EVENT = "event"


@dataclass(frozen=True, slots=True)
class Mark:
    """Something dated on a chart: a short label, what more there is to say, and the page it opens (or '')."""

    at: dt.datetime
    kind: MarkKind
    label: str
    detail: str
    url: str = ""


def marks(machine: Machine, since: dt.date | None, until: dt.date) -> list[Mark]:
    """Return the marks of a machine's span, by kind and then by time, in three queries."""
    plant = machine.line.plant
    begins = None if since is None else day_begins(plant, since)
    ends = day_begins(plant, until + dt.timedelta(days=1))
    happened = [Mark(row.at, MarkKind.EVENT, row.label, row.note) for row in events(machine, since, until)]
    return [*_visits(machine, begins, ends), *_tooling(machine, begins, ends), *happened]


def _between(field: str, begins: dt.datetime | None, ends: dt.datetime) -> Q:
    upper = Q(**{f"{field}__lt": ends})
    return upper if begins is None else upper & Q(**{f"{field}__gte": begins})


def _visits(machine: Machine, begins: dt.datetime | None, ends: dt.datetime) -> list[Mark]:
    rows = (
        Visit.objects.filter(_between("opened_at", begins, ends), machine=machine, state=Visit.State.SIGNED)
        .order_by("opened_at", "pk")
        .select_related("signature", "signed_by")
        .only(
            *("opened_at", "reason", "signature__name"),
            *("signed_by__first_name", "signed_by__last_name", "signed_by__username"),
        )
    )
    return [
        Mark(row.opened_at, MarkKind.VISIT, row.get_reason_display(), f"signed by {row.signer}", visit_url(row.pk))
        for row in rows
    ]


def _tooling(machine: Machine, begins: dt.datetime | None, ends: dt.datetime) -> list[Mark]:
    """Return sets fitted, and sets taken out where nothing was fitted in the same moment."""
    rows = list(
        Fitting.objects.filter(_between("fitted_at", begins, ends) | _between("removed_at", begins, ends))
        .filter(machine=machine)
        .order_by("fitted_at", "pk")
        .values_list("fitted_at", "removed_at", "reason_out", "tooling_set__name")
    )
    fitted = {row[0] for row in rows}
    changes = [Mark(at, MarkKind.TOOLING, f"{name} on", "tooling set fitted") for at, _, _, name in rows]
    for _, removed, reason, name in rows:
        if removed is not None and removed not in fitted:
            changes.append(Mark(removed, MarkKind.TOOLING, f"{name} off", _out(reason)))
    inside = [mark for mark in changes if (begins is None or mark.at >= begins) and mark.at < ends]
    return sorted(inside, key=lambda mark: mark.at)


def _out(reason: Any) -> str:
    return f"tooling set taken out: {reason}" if reason else "tooling set taken out"
