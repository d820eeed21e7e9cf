"""On the page of a visit the entry of the plan that it came of, or would close; on the plan the weeks to choose."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

from django import template
from django.utils.html import format_html_join
from django.utils.safestring import SafeString

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


@register.simple_tag
def week_options(choices: Sequence[tuple[str, str]], chosen: dt.date) -> SafeString:
    """Return the weeks of a choice as options, the chosen one marked: a row of them for each entry of the plan."""
    at = chosen.isoformat()
    rows = [(week, " selected" if week == at else "", words) for week, words in choices]
    return format_html_join("", '<option value="{}"{}>{}</option>', rows)
