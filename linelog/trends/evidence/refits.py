"""The questions whose answers are stored, worked out anew after every change of the summaries."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

import numpy as np

from linelog.calc.errors import CalcError
from linelog.calc.offset_path import Wander
from linelog.plant.models import Machine, Plant
from linelog.production.days import production_day
from linelog.trends import refit
from linelog.trends.evidence.answer import answer
from linelog.trends.evidence.family import judged
from linelog.trends.evidence.leading import ALGORITHM, KIND
from linelog.trends.evidence.looked import KINDS, look
from linelog.trends.evidence.scope import CAUSE, GROUPS, SPANS, SPOILED, TEAR_OFFS, USUAL_SPAN, Scope
from linelog.trends.evidence.table import Table, read
from linelog.trends.models import Fit

WANDER_KIND = "wander of stations"


def questions(table: Table) -> Iterator[Scope]:
    """Yield what is stored: both rates over every span; over the usual one every station and every cause as well."""
    stations = table.stations()
    groups = [name for name, kinds in GROUPS.items() if set(kinds) & set(stations)]
    for measure in (TEAR_OFFS, SPOILED):
        yield from (Scope(measure, span=span) for span in SPANS)
        yield from (Scope(measure, station) for station in (*groups, *stations))
    yield from (Scope(CAUSE + code, span=USUAL_SPAN) for code in table.causes())


def fit_misalignment(plant: Plant, now: datetime) -> None:
    """Answer every question that is stored, and forget answers that are no longer asked for."""
    table = read(Machine.objects.filter(line__plant=plant).values("pk"))
    until = production_day(plant, now)
    try:
        known = look(table)
    except CalcError:
        known = None
    looked, wander = known or (None, {})
    refit.keep(plant, WANDER_KIND, "", now, rests_on={}, result=_stored(wander), sentence="")
    answers = {scope: answer(table, scope, until, looked) for scope in questions(table)}
    usual = {scope: one for scope, one in answers.items() if scope.span == USUAL_SPAN}
    others = {scope: judged({scope: one})[scope] for scope, one in answers.items() if scope not in usual}
    for scope, found in (judged(usual) | others).items():
        refit.keep(
            plant, KIND, scope.key, now, rests_on=found.rests_on, result=found.stored(), sentence=found.sentence
        )
    keys = {scope.key for scope in answers}
    Fit.objects.filter(plant=plant, kind=KIND).exclude(scope__in=keys).delete()


def _stored(wander: Mapping[int, Wander]) -> dict[str, Any]:
    kinds = {
        KINDS[kind]: {"values": one.values.tolist(), "cov": one.cov.tolist(), "spans": one.spans}
        for kind, one in wander.items()
    }
    return {"algorithm": ALGORITHM, "kinds": kinds}


def wander_of(kept: Mapping[str, Any]) -> dict[int, Wander]:
    """Read back how the stations of a plant wander."""
    if kept.get("algorithm") != ALGORITHM:
        return {}
    return {
        KINDS.index(kind): Wander(np.array(one["values"]), np.array(one["cov"]), one["spans"])
        for kind, one in kept["kinds"].items()
        if kind in KINDS
    }
