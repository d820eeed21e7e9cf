"""All that one page claims, judged together: of many lines some stand out by chance."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from linelog.calc.before_after import claims
from linelog.calc.sets import power
from linelog.trends.evidence import say
from linelog.trends.evidence.answer import Answer
from linelog.trends.evidence.scope import Scope

#: Pages that claim a station where nothing is, and pages that claim a tooling set so: Benjamini & Hochberg hold each
#: to this. Sets are many and stations few: judged as one, a bad set would be found half as often.
FALSE_PAGES = 0.05


def judged(answers: Mapping[Scope, Answer]) -> dict[Scope, Answer]:
    """Return the answers of a page with what is shown under false-discovery control, and their sentences.

    The effects of all of them are one family, the tooling sets of each question one of its own.
    """
    chances = [one.effect["p"] for one in answers.values() if one.effect]
    shown, edge = claims([p for p in chances if math.isfinite(p)], FALSE_PAGES)
    edge = edge if shown.any() else -1.0
    return {scope: _judged(scope, _with_sets(one), edge) for scope, one in answers.items()}


def _with_sets(found: Answer) -> Answer:
    shown, _ = claims([math.nan if one.p is None else one.p for one in found.tooling], FALSE_PAGES)
    sets = tuple(replace(one, shown=is_shown) for one, is_shown in zip(found.tooling, shown.tolist(), strict=True))
    return replace(found, tooling=sets, set_power=power(found.tooling, FALSE_PAGES))


def _judged(scope: Scope, found: Answer, edge: float) -> Answer:
    if found.effect is None:
        return found
    effect = found.effect | {"shown": found.effect["p"] <= edge}
    found = replace(found, effect=effect)
    return replace(found, sentence=say.effect(scope, effect))
