"""How a station stands, in the reader's unit and in the view of who stands there."""

from __future__ import annotations

from typing import Any

from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString

from linelog.alignment.results import captions
from linelog.alignment.results.status import StationStatus
from linelog.calc.readings import View
from linelog.web import units

register = template.Library()
STATE = '<span class="state {}">{}</span>'
STANDS = '<span class="state {} wraps" data-stands="{}:{}">{}</span>'
CSS = {"in": "in", "out": "out", "out when running": "out", "not judged": "none", "": "none"}


@register.simple_tag
def state(verdict: str | None) -> SafeString:
    """Show one verdict. A tag and no template of its own: the answer to a typed reading shows it several times."""
    said = verdict or ""
    return format_html(STATE, CSS.get(said, "unsure"), said or "not measured")


@register.simple_tag
def stands(status: StationStatus | None) -> SafeString:
    """Show how a station stands."""
    if not status:
        return format_html(STATE, "none wraps", "not measured")
    return format_html(STANDS, status.css or "none", status.station.pk, status.state.name, status.word)


@register.simple_tag(takes_context=True)
def stands_words(context: dict[str, Any], status: StationStatus) -> str:
    """Say in a sentence how a station stands."""
    return captions.stands_words(status, units.of(context.get("user")), View(status.station.view))


@register.simple_tag
def known_words(status: StationStatus) -> str:
    """Say what is known of the station running."""
    return captions.known_words(status)
