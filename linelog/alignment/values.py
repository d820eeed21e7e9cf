"""Results of signed visits, with what the amendments say of them."""

from __future__ import annotations

from collections.abc import Iterable

from django.db.models import OuterRef, Q, QuerySet, Subquery

from linelog.alignment.judging import judged, not_judged
from linelog.alignment.models import Amendment, Result, Visit
from linelog.alignment.standing import Place, Standing, Value, Word, stand
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
    """Return the last amendment of each value; an amendment with a reason alone changes no value."""
    rows = (
        Amendment.objects.filter(visit__in=list(visits), station__isnull=False)
        .order_by("at", "pk")
        .values_list("visit_id", "station_id", "stage", "seat", "reason", "set_aside", "x_um", "y_um")
    )
    return {
        (visit, station, stage, seat): Word(reason, set_aside, x_um, y_um)
        for visit, station, stage, seat, reason, set_aside, x_um, y_um in rows
        if set_aside or x_um is not None
    }


def _last_word_sets_aside() -> Subquery:
    """Whether the last word on a result sets it aside; null where nothing was said."""
    spoken = Amendment.objects.filter(
        visit=OuterRef("visit"), station=OuterRef("station"), stage=OuterRef("stage"), seat=OuterRef("seat")
    )
    valued = spoken.exclude(set_aside=False, x_um__isnull=True)
    return Subquery(valued.order_by("-at", "-pk").values("set_aside")[:1])


def latest(stations: QuerySet[Station]) -> list[Value]:
    """Return the values of each station's last signed visit that measured it, in three queries.

    A visit of which the station's values were all set aside does not count as the last. What was carried over
    from as found to as left stands and falls with it.
    """
    measured = (
        Result.objects.filter(station=OuterRef("pk"), visit__state=Visit.State.SIGNED, carried=False)
        .exclude(not_judged())
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
    return [value for value in found.values if (value.visit_id, value.station_id) in pairs]
