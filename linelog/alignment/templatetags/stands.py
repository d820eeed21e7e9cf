"""How a station stands, in the reader's unit and in the view of who stands there."""

from __future__ import annotations

from typing import Any

from django import template

from linelog.alignment.results import captions
from linelog.alignment.results.status import StationStatus
from linelog.calc.readings import View
from linelog.web import units

register = template.Library()


@register.simple_tag(takes_context=True)
def stands_words(context: dict[str, Any], status: StationStatus) -> str:
    """Say in a sentence how a station stands."""
    return captions.stands_words(status, units.of(context.get("user")), View(status.station.view))


@register.simple_tag
def known_words(status: StationStatus) -> str:
    """Say what is known of the station running."""
    return captions.known_words(status)
