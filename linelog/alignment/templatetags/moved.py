"""Moves that were made, packs that were counted and readings that were typed, in the reader's unit."""

from __future__ import annotations

from typing import Any

from django import template

from linelog.alignment.models import AmendedReading, MoveMade, Reading
from linelog.alignment.moves_made import made_words, pack_words
from linelog.alignment.words import told
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


@register.simple_tag(takes_context=True)
def as_read(context: dict[str, Any], reading: Reading | AmendedReading) -> str:
    """Show a reading with its unit, in the reader's own where it was typed in another."""
    return told(reading, units.of(context.get("user")))
