"""On the page of a visit: the entry of the plan that it came of, or would close."""

from __future__ import annotations

from typing import Any

from django import template

from linelog.alignment.models import Visit
from linelog.planning.models import PlannedVisit

register = template.Library()


@register.simple_tag
def planned_as(visit: Visit) -> dict[str, Any] | None:
    """Return the entry that the visit closed, or (open visit) the open one of its machine that it will close."""
    rows = PlannedVisit.objects.filter(machine=visit.machine_id)
    own = rows.filter(visit=visit.pk).first()
    if own is None and visit.is_open:
        own = rows.filter(state=PlannedVisit.State.PLANNED).first()
    return None if own is None else {"entry": own, "closed": own.visit_id is not None}
