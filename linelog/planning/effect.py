"""How much spoilage and tear-offs go up with severity: measured on the fleet where it is, else the plant's guess."""

from __future__ import annotations

from dataclasses import dataclass

from linelog.plant.models import Plant


@dataclass(frozen=True, slots=True)
class Effects:
    """Ratio of the rates for one unit more of severity, and where it comes from in a sentence."""

    spoilage: float
    tear_offs: float
    words: str


def effects_of(plant: Plant) -> Effects:
    """Return the effects to reckon with."""
    assumed = 1.0 + plant.assumed_rise_percent / 100.0
    sentence = (
        f"How much misalignment costs here is not known from the plant's own counts yet: reckoned with its setting, "
        f"{plant.assumed_rise_percent:g} % more spoilage and tear-offs per unit of severity."
    )
    return Effects(assumed, assumed, sentence)
