"""Moves that were made and packs that were counted, in the reader's unit."""

from __future__ import annotations

from typing import Any

from django import template

from linelog.alignment.models import MoveMade
from linelog.alignment.moves_made import made_words, pack_words
from linelog.calc.readings import View
from linelog.plant.models import Adjuster
from linelog.web import units

register = template.Library()


@register.simple_tag(takes_context=True)
def made(context: dict[str, Any], move: MoveMade, view: str) -> str:
    """Say what was done, in the view that the person has of the station."""
    return made_words(move, units.of(context.get("user")), View(view))


@register.simple_tag(takes_context=True)
def pack(context: dict[str, Any], row: Adjuster) -> str:
    """Say which shims lie in a pack."""
    return pack_words(row, units.of(context.get("user")))
