"""Results of signed visits, with what the amendments say of them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

from django.db.models import OuterRef, Q, QuerySet, Subquery

from linelog.alignment.judging import judged, not_judged
from linelog.alignment.models import AmendedResult, Amendment, Result, Visit
from linelog.alignment.standing import Evaluated, Place, Standing, Value, Word, stand
from linelog.plant.models import Machine, Station

COLUMNS = (
    "visit_id",
    "visit__opened_at",
    "station_id",
    "seat",
    "stage",
    "method",
    "x_um",
    "y_um",
    "radial_um",
    "expanded_um",
    "limit_um",
    "verdict",
    "severity",
    "carried",
    "tilt_x_mm_per_m",
    "tilt_y_mm_per_m",
    "tilt_expanded_mm_per_m",
    "tilt_limit_mm_per_m",
    "carrier",
    "u_x_um",
    "u_y_um",
    "is_partial",
)


def signed_results(machine: Machine) -> QuerySet[Result]:
    """Return the results of a machine's signed visits that are judged."""
    return judged(Result.objects.filter(visit__machine=machine, visit__state=Visit.State.SIGNED))


def standing(results: QuerySet[Result]) -> Standing:
    """Read those results that are judged, in the order of time: two queries, the results and their amendments."""
    rows = (
        judged(results)
        .order_by("visit__opened_at", "visit_id", "station__order", "seat", "stage")
        .values_list(*COLUMNS)
    )
    values = [Value(*row) for row in rows]
    return stand(values, last_words({value.visit_id for value in values}))


def last_words(visits: Iterable[int]) -> dict[Place, Word]:
    """Return the last amendment of each value; an amendment with a reason alone changes no value.

    A reading typed anew gives every seat of its station a new value, but brings back none that was set aside.
    """
    rows = Amendment.objects.filter(visit__in=list(visits), station__isnull=False).order_by("at", "pk")
    found: dict[Place, Word] = {}
    for one in rows.prefetch_related("results"):
        place = (one.visit_id, one.station_id or 0, one.stage, one.seat)
        if one.set_aside or one.x_um is not None:
            found[place] = Word(one.reason, one.set_aside, one.x_um, one.y_um)
        for result in one.results.all():
            place = (*place[:3], result.seat)
            if place not in found or not found[place].set_aside:
                found[place] = Word(one.reason, False, None, None, _evaluated(result))
    return found


def _evaluated(result: AmendedResult) -> Evaluated:
    return Evaluated(**{name: getattr(result, name) for name in Evaluated.__dataclass_fields__})


def of_visit(visit: Visit) -> dict[tuple[int, str, str, str], Value | None]:
    """Return what the amendments make of each result of a visit (station, stage, seat, method); None: set aside."""
    rows = [Value(*row) for row in Result.objects.filter(visit=visit).values_list(*COLUMNS)]
    kept = {_place_of(value): value for value in stand(rows, last_words([visit.pk])).values}
    return {_place_of(value): kept.get(_place_of(value)) for value in rows}


def _place_of(value: Value) -> tuple[int, str, str, str]:
    return value.station_id, value.stage, value.seat, value.method


def _last_word_sets_aside() -> Subquery:
    """Whether the last word on a result sets it aside; null where nothing was said."""
    spoken = Amendment.objects.filter(
        visit=OuterRef("visit"), station=OuterRef("station"), stage=OuterRef("stage"), seat=OuterRef("seat")
    )
    valued = spoken.exclude(set_aside=False, x_um__isnull=True)
    return Subquery(valued.order_by("-at", "-pk").values("set_aside")[:1])


def latest(stations: QuerySet[Station], *, method: str = "", until: dt.datetime | None = None) -> list[Value]:
    """Return the values of each station's last signed visit that measured it, in three queries.

    method  static or running alone, each from its own last visit; until: of the visits opened by then

    A visit of which the station's values were all set aside does not count as the last. What was carried over
    from as found to as left stands and falls with it.
    """
    measured = (
        Result.objects.filter(station=OuterRef("pk"), visit__state=Visit.State.SIGNED, carried=False)
        .exclude(not_judged())
        .filter(**({"method": method} if method else {}), **({"visit__opened_at__lte": until} if until else {}))
        .annotate(aside=_last_word_sets_aside())
        .filter(Q(aside__isnull=True) | Q(aside=False))
        .order_by("-at")
        .values("visit_id")[:1]
    )
    pairs = {
        (visit, station)
        for station, visit in stations.order_by().annotate(last=Subquery(measured)).values_list("pk", "last")
        if visit is not None
    }
    found = standing(Result.objects.filter(visit__in={visit for visit, _ in pairs}))
    return [
        value
        for value in found.values
        if (value.visit_id, value.station_id) in pairs and method in ("", value.method)
    ]
