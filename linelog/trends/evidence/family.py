"""All that one page claims, judged together: of many lines some stand out by chance."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from linelog.calc.before_after import claims
from linelog.trends.evidence import say
from linelog.trends.evidence.answer import Answer
from linelog.trends.evidence.scope import Scope

#: Pages that claim a line where nothing is: Benjamini & Hochberg hold it to this where no line has an effect.
FALSE_PAGES = 0.05


def judged(answers: Mapping[Scope, Answer], with_sets: frozenset[Scope]) -> dict[Scope, Answer]:
    """Return the answers with what is shown under false-discovery control over all of them, and their sentences.

    with_sets  the questions whose tooling sets the page shows; a set of another question is shown by the same bound
    """
    chances = [one.effect["p"] for one in answers.values() if one.effect]
    chances += [
        one.p for scope, found in answers.items() if scope in with_sets for one in found.tooling if one.p is not None
    ]
    shown, edge = claims([p for p in chances if math.isfinite(p)], FALSE_PAGES)
    edge = edge if shown.any() else -1.0
    return {scope: _judged(scope, one, edge) for scope, one in answers.items()}


def _judged(scope: Scope, found: Answer, edge: float) -> Answer:
    sets = tuple(replace(one, shown=one.p is not None and one.p <= edge) for one in found.tooling)
    if found.effect is None:
        return replace(found, tooling=sets)
    effect = found.effect | {"shown": found.effect["p"] <= edge}
    found = replace(found, effect=effect, tooling=sets)
    return replace(found, sentence=say.effect(scope, effect))
