"""How much spoilage and tear-offs go up with severity: measured on the fleet where it is, else the plant's guess."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from linelog.plant.models import Plant
from linelog.trends.models import Fit

KIND = "misalignment"  # the stored regressions of rates on severity; the worst station, the usual span
SCOPES = {"spoilage": "spoiled/worst/24m", "tear_offs": "tear_offs/worst/24m"}
ALGORITHM = 2  # of the stored sums; what an older one found, with the error of measurement in it, is not used
NOUNS = {"spoilage": "spoiled cans", "tear_offs": "tear-offs"}


@dataclass(frozen=True, slots=True)
class Effects:
    """Ratio of the rates for one limit more of the worst offset, and where it comes from in a sentence or two.

    shown  whether the plant's own counts show one; where they show none, both are the plant's assumption
    """

    spoilage: float
    tear_offs: float
    words: str
    shown: bool


def effects_of(plant: Plant) -> Effects:
    """Return the effects to reckon with: those that are shown, and none for a count of which none is shown.

    Where none is shown at all, the assumption of the plant stands in; money that rests on it is not told as known.
    """
    rows = Fit.objects.filter(plant=plant, kind=KIND, scope__in=SCOPES.values(), result__algorithm=ALGORITHM)
    fits = dict(rows.values_list("scope", "result__effect"))  # the rest of a result is long
    found = {name: _effect(fits.get(scope)) for name, scope in SCOPES.items()}
    shown = {name: effect["ratio"] for name, effect in found.items() if effect and _is_shown(effect)}
    otherwise = 1.0 if shown else 1.0 + plant.assumed_rise_percent / 100.0
    ratios = {name: shown.get(name, otherwise) for name in SCOPES}
    words = _words(found, bool(shown), plant.assumed_rise_percent)
    return Effects(ratios["spoilage"], ratios["tear_offs"], words, bool(shown))


def _is_shown(effect: Mapping[str, float] | None) -> bool:
    """Whether a rise is shown, chance over all lines of the page allowed for."""
    return bool(effect and effect["shown"] and effect["ratio"] > 1.0)


def _effect(effect: dict[str, Any] | None) -> dict[str, float] | None:
    return effect if effect and {"ratio", "low", "high", "shown"} <= effect.keys() else None


def _words(found: Mapping[str, dict[str, float] | None], shown: bool, assumed_percent: float) -> str:
    said = []
    for name, effect in found.items():
        if effect and _is_shown(effect):
            times = f"{effect['ratio']:.2f} times ({effect['low']:.2f} to {effect['high']:.2f}, 95 %)"
            said.append(
                f"Measured on this plant's counts: {times} as many {NOUNS[name]} per limit of the worst offset."
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
