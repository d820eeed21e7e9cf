"""The questions whose answers are stored, worked out anew after every change of the summaries."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from linelog.plant.models import Machine, Plant
from linelog.production.days import production_day
from linelog.trends import refit
from linelog.trends.evidence.answer import answer
from linelog.trends.evidence.scope import CAUSE, SPANS, SPOILED, TEAR_OFFS, USUAL_SPAN, Scope
from linelog.trends.evidence.table import Table, read
from linelog.trends.models import Fit

KIND = "misalignment"


def questions(table: Table) -> Iterator[Scope]:
    """Yield what is stored: both rates over every span; over the usual one every station and every cause as well."""
    for measure in (TEAR_OFFS, SPOILED):
        yield from (Scope(measure, span=span) for span in SPANS)
        yield from (Scope(measure, station) for station in table.stations())
    yield from (Scope(CAUSE + code, span=USUAL_SPAN) for code in table.causes())


def fit_misalignment(plant: Plant, now: datetime) -> None:
    """Answer every question that is stored, and forget answers that are no longer asked for."""
    table = read(Machine.objects.filter(line__plant=plant).values("pk"))
    until = production_day(plant, now)
    keys = set()
    for scope in questions(table):
        found = answer(table, scope, until)
        refit.keep(
            plant, KIND, scope.key, now, rests_on=found.rests_on, result=found.stored(), sentence=found.sentence
        )
        keys.add(scope.key)
    Fit.objects.filter(plant=plant, kind=KIND).exclude(scope__in=keys).delete()
