"""Offsets and adjusters as a person at one end of the machine sees them."""

from __future__ import annotations

from django import template

from linelog.calc import frame
from linelog.calc.readings import View
from linelog.plant.models import Adjuster

register = template.Library()


@register.filter
def across(x: float, view: View | str) -> float:
    """Turn an offset across, stored as seen from the crank, into the view."""
    return frame.across(View(view)) * x


@register.filter
def toward(adjuster: Adjuster, view: View | str) -> str:
    """Where positive travel pushes, as seen from an end."""
    return adjuster.toward_from(View(view))


@register.filter
def away(adjuster: Adjuster, view: View | str) -> str:
    """Where negative travel pushes, as seen from an end."""
    return adjuster.away_from(View(view))


@register.filter
def placed(adjuster: Adjuster, view: View | str) -> str:
    """Name an adjuster; of one that pushes along the ram also where it stands, whatever clock its name means."""
    return adjuster.placed_from(View(view))
