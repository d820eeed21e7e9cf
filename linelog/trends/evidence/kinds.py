"""The likeliest effect of each kind of station, for whoever must choose; what is told rests on what is shown."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from linelog.calc.kind_effects import likeliest_effects, worst_alone
from linelog.plant.models import Plant, Station
from linelog.trends.evidence.leading import ALGORITHM, KIND
from linelog.trends.evidence.scope import USUAL_SPAN, WORST, Scope
from linelog.trends.models import Fit


@dataclass(frozen=True, slots=True)
class KindEffects:
    """Logarithm of the ratio of a rate for one limit, by kind of station; `other` of a kind that tells nothing.

    worst  that of the worst station, where the rate follows it alone; else None
    """

    own: Mapping[str, float]
    other: float
    worst: float | None

    def of(self, kind: str) -> float:
        """Return that of a kind."""
        return self.own.get(kind, self.other)


def likeliest(plant: Plant, measures: Sequence[str]) -> dict[str, KindEffects]:
    """Return the effects on each rate, drawn to one another and to the plant's assumption; one query."""
    scopes = {
        Scope(measure, kind, USUAL_SPAN).key: (measure, kind)
        for measure in measures
        for kind in (WORST, *map(str, Station.Kind.values))
    }
    rows = Fit.objects.filter(plant=plant, kind=KIND, scope__in=scopes, result__algorithm=ALGORITHM)
    found: dict[str, dict[str, tuple[float, float]]] = {measure: {} for measure in measures}
    for scope, effect in rows.order_by("scope").values_list("scope", "result__effect"):
        if effect and effect.get("z") and effect["ratio"] > 0.0:
            measure, kind = scopes[scope]
            log = math.log(effect["ratio"])
            found[measure][kind] = (log, abs(log / effect["z"]))
    assumed = math.log1p(plant.assumed_rise_percent / 100.0)
    return {measure: _drawn_together(own, assumed) for measure, own in found.items()}


def _drawn_together(own: Mapping[str, tuple[float, float]], assumed: float) -> KindEffects:
    kinds = [kind for kind in own if kind != WORST]
    logs, ses = np.array([own[kind] for kind in kinds], dtype=np.float64).reshape(-1, 2).T
    each, other = likeliest_effects(logs, np.maximum(ses, 1e-6), assumed)
    worst = own[WORST][0] if WORST in own else 0.0
    alone = len(kinds) > 1 and worst > 0.0 and worst_alone(worst, logs)
    return KindEffects(dict(zip(kinds, each.tolist(), strict=True)), other, worst if alone else None)
