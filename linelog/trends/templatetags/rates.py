"""Rates as they read."""

from __future__ import annotations

from django import template

register = template.Library()


@register.filter
def rate(value: float | None, per: tuple[float, int, str]) -> str:
    """Show a rate per million in its own unit: what it is divided by, and its decimals."""
    return "–" if value is None else f"{value / per[0]:.{per[1]}f}"
