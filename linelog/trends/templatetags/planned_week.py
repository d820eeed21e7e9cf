"""What waiting costs and when a visit is planned, in words; the weeks that it can be put into."""

from __future__ import annotations

import datetime as dt

from django import template
from django.utils import timezone
from django.utils.html import format_html_join
from django.utils.safestring import SafeString

from linelog.production import weeks
from linelog.production.days import local_day
from linelog.trends.state.outlook import MachineState
from linelog.trends.state.say import planned_of, worth_of
from linelog.trends.state.todo import Todo

register = template.Library()


@register.simple_tag
def worth_words(state: MachineState, todo: Todo) -> str:
    """Say what a week of waiting costs."""
    return worth_of(state, todo)


@register.simple_tag
def planned_words(state: MachineState) -> str:
    """Say when it is planned."""
    return planned_of(state)


@register.simple_tag
def week_choices(state: MachineState) -> SafeString:
    """List the weeks that a visit can be put into, as options."""
    today: dt.date = local_day(state.machine.line.plant, timezone.now())
    coming = weeks.coming(today, weeks.USUAL)
    return format_html_join(
        "", '<option value="{}">{}</option>', ((one.isoformat(), weeks.label(one)) for one in coming)
    )
