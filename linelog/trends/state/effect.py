"""How much spoilage and tear-offs go up with severity: measured on the fleet where it is, else the plant's guess."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from linelog.plant.models import Plant
from linelog.trends.evidence.leading import leading
from linelog.trends.evidence.scope import GROUP_NAMES, GROUPS, SPOILED, TEAR_OFFS

MEASURES = {"spoilage": SPOILED, "tear_offs": TEAR_OFFS}
NOUNS = {"spoilage": "spoiled cans", "tear_offs": "tear-offs"}


@dataclass(frozen=True, slots=True)
class Effects:
    """Ratio of the rates for one limit more of the worst offset, and where it comes from in a sentence or two.

    shown  whether the plant's own counts show one; where they show none, both are the plant's assumption
    spoilage_of, tear_offs_of  the kinds of station whose worst one it is of; none: of all
    """

    spoilage: float
    tear_offs: float
    words: str
    shown: bool
    spoilage_of: tuple[str, ...] = ()
    tear_offs_of: tuple[str, ...] = ()


def effects_of(plant: Plant) -> Effects:
    """Return the effects to reckon with: those that are shown, and none for a count of which none is shown.

    Where none is shown at all, the assumption of the plant stands in; money that rests on it is not told as known.
    """
    told = leading(plant, (SPOILED, TEAR_OFFS))
    found = {name: _effect(told[measure][1]) for name, measure in MEASURES.items()}
    shown = {name: effect["ratio"] for name, effect in found.items() if effect and _is_shown(effect)}
    stations = {name: told[measure][0] for name, measure in MEASURES.items()}
    kinds = {name: GROUPS.get(stations[name], ()) if name in shown else () for name in MEASURES}
    otherwise = 1.0 if shown else 1.0 + plant.assumed_rise_percent / 100.0
    ratios = {name: shown.get(name, otherwise) for name in MEASURES}
    words = _words(found, stations, bool(shown), plant.assumed_rise_percent)
    return Effects(ratios["spoilage"], ratios["tear_offs"], words, bool(shown), kinds["spoilage"], kinds["tear_offs"])


def _is_shown(effect: Mapping[str, float] | None) -> bool:
    """Whether a rise is shown, chance over all lines of the page allowed for."""
    return bool(effect and effect["shown"] and effect["ratio"] > 1.0)


def _effect(effect: Mapping[str, Any] | None) -> Mapping[str, float] | None:
    return effect if effect and {"ratio", "low", "high", "shown"} <= effect.keys() else None


def _words(
    found: Mapping[str, Mapping[str, float] | None], stations: Mapping[str, str], shown: bool, assumed_percent: float
) -> str:
    said = []
    for name, effect in found.items():
        if effect and _is_shown(effect):
            times = f"{effect['ratio']:.2f} times ({effect['low']:.2f} to {effect['high']:.2f}, 95 %)"
            of = f" ({GROUP_NAMES[stations[name]].lower()})" if stations[name] in GROUP_NAMES else ""
            said.append(
                f"Measured on this plant's counts: {times} as many {NOUNS[name]} per limit of the worst offset{of}."
            )
        elif effect:
            interval = f"{effect['low']:.2f} to {effect['high']:.2f} times, 95 %"
            said.append(f"In {NOUNS[name]} this plant's counts show no rise with the offset ({interval}).")
    missing = " and ".join(NOUNS[name] for name, effect in found.items() if effect is None)
    if missing:
        said.append(f"How much misalignment costs in {missing} is not known from the plant's own counts yet.")
    if not shown:
        said.append(
            f"So the plan reckons with an assumption, a setting of the plant: {assumed_percent:g} % more per limit "
            "of the worst offset."
        )
    return " ".join(said)
