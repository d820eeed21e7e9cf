"""A rule of limits in words, in the reader's unit."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from linelog.calc.units import Unit
from linelog.web.units import show_um


def conditions_words(facts: Mapping[str, Any], unit: Unit) -> str:
    """Say under which conditions a rule holds; `facts` as kept with a result."""
    parts = []
    if facts.get("tooling_set"):
        parts.append(f"tooling set {facts['tooling_set']}")
    if facts.get("wall_to_um"):
        parts.append(f"mid wall up to {show_um(facts['wall_to_um'], unit, with_unit=True, fine=True)}")
    if facts.get("height_from_mm"):
        parts.append(f"wall height from {facts['height_from_mm']:g} mm")
    if facts.get("speed_from_spm"):
        parts.append(f"from {facts['speed_from_spm']:g} strokes a minute")
    return ", ".join(parts) or "always"


def rule_words(facts: Mapping[str, Any] | None, unit: Unit) -> str:
    """Say in a sentence which rule gave a limit; empty where the station's own holds."""
    if not facts:
        return ""
    own = show_um(facts["own_limit_um"], unit, with_unit=True)
    return f"Narrowed by the rule of {facts['from_on']} ({conditions_words(facts, unit)}); its own limit is {own}."
