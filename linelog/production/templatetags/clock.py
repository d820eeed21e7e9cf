"""A clock angle as the hour hand shows it."""

from __future__ import annotations

from django import template

from linelog.calc.readings import clock_position

register = template.Library()


@register.filter
def clock(angle_deg: float) -> str:
    """Show a clock angle: 135 is '4:30'."""
    return clock_position(angle_deg)
