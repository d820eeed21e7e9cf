"""How much spoilage and tear-offs go up with severity: measured on the fleet where it is, else the plant's guess."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from linelog.plant.models import Plant
from linelog.trends.models import Fit

KIND = "misalignment"  # the stored regressions of rates on severity; the worst station, the usual span
SCOPES = {"spoilage": "spoiled/worst/24m", "tear_offs": "tear_offs/worst/24m"}
NOUNS = {"spoilage": "spoiled cans", "tear_offs": "tear-offs"}


@dataclass(frozen=True, slots=True)
class Effects:
    """Ratio of the rates for one unit more of severity, and where it comes from in a sentence or two."""

    spoilage: float
    tear_offs: float
    words: str


def effects_of(plant: Plant) -> Effects:
    """Return the effects to reckon with; one that is measured below 1 is taken as none."""
    rows = Fit.objects.filter(plant=plant, kind=KIND, scope__in=SCOPES.values())
    fits = dict(rows.values_list("scope", "result__effect"))  # the rest of a result is long
    found = {name: _effect(fits.get(scope)) for name, scope in SCOPES.items()}
    assumed = 1.0 + plant.assumed_rise_percent / 100.0
    ratios = {name: max(effect["ratio"], 1.0) if effect else assumed for name, effect in found.items()}
    return Effects(ratios["spoilage"], ratios["tear_offs"], _words(found, plant.assumed_rise_percent))


def _effect(effect: dict[str, Any] | None) -> dict[str, float] | None:
    return effect if effect and {"ratio", "low", "high"} <= effect.keys() else None


def _words(found: Mapping[str, dict[str, float] | None], assumed_percent: float) -> str:
    said = []
    for name, effect in found.items():
        if effect:
            times = f"{effect['ratio']:.2f} times ({effect['low']:.2f} to {effect['high']:.2f}, 95 %)"
            proof = "" if effect["low"] > 1.0 else ", which chance explains too"
            said.append(
                f"Measured on this plant's counts: {times} as many {NOUNS[name]} per unit of severity{proof}."
            )
    missing = " and ".join(NOUNS[name] for name, effect in found.items() if effect is None)
    if missing:
        said.append(
            f"How much misalignment costs in {missing} is not known from the plant's own counts yet: reckoned with "
            f"its setting, {assumed_percent:g} % more per unit of severity."
        )
    return " ".join(said)
