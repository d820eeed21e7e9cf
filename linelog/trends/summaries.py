"""Work out the stored summaries of a machine: stretches between visits, and their pieces.

All of them, or only those that a change since a production day can have made different (linelog.trends.reach).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from operator import attrgetter
from typing import Any

import numpy as np
from django.db.models import Model
from numpy.typing import NDArray

from linelog.alignment.results.as_runs import as_it_runs
from linelog.alignment.running import knowledge_of, travels_of
from linelog.alignment.standing import STATIC
from linelog.alignment.values import signed_results, standing
from linelog.plant.models import Fitting, Machine
from linelog.production.days import production_day
from linelog.production.queries import COUNTS, Days, DaySeries, cause_days, day_counts
from linelog.trends.carrying import Place, by_reference, left_and_found, looks_of, places_of, severities
from linelog.trends.models import Piece, Stretch
from linelog.trends.reach import Called, Reach, either_side, reach_of, visits_of

AT_ONCE = 500
LATE_DAYS = 10  # before a visit: a rate that calls for it stands out in these. Own choice.
Whole = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Known:
    """What the summaries of a machine are worked out from, in the order of time.

    reach    what of them is worked out; days, causes and places hold no more than that takes
    mounted  from which production day on which tooling set was on the machine (None: none)
    causes   spoiled cans by cause code, each of shape (n,) beside the n days
    """

    machine: Machine
    reach: Reach
    visits: tuple[Called, ...]
    places: tuple[Place, ...]
    days: DaySeries
    causes: dict[str, Whole]
    mounted: tuple[tuple[dt.date, int | None], ...]

    @property
    def visit_days(self) -> Days:
        """The production days of the visits; two visits may share one."""
        return np.array([visit.day for visit in self.visits], dtype="datetime64[D]")


@dataclass(frozen=True, slots=True)
class Made:
    """Unsaved rows of one machine: all of its rows within reach."""

    reach: Reach
    stretches: list[Stretch]
    pieces: list[Piece]


def work_out(machine: Machine, first_day: dt.date | None = None) -> Made:
    """Read a machine's record and work out its summaries; writes nothing.

    Where nothing but counts from `first_day` on has changed since they were stored, those that are the same as
    before are left out; None: all of them.
    """
    known = read(machine, first_day)
    return Made(known.reach, _stretches(known), _pieces(known))


def store(machine: Machine, made: Made) -> None:
    """Make these the stored summaries of a machine, in the caller's transaction; what is the same is left alone."""
    after = made.reach.after
    within = {"machine": machine, **({"first_day__gt": after} if after else {})}
    _replace(Stretch, within, made.stretches)
    _replace(Piece, within, made.pieces)


def _replace(model: type[Model], within: dict[str, Any], rows: Sequence[Model]) -> None:
    """Write the rows that are new or different by their first day, and take out those within reach that are gone.

    After a night's import one stretch in a hundred is different: comparing costs a tenth of writing all of them.
    """
    names = [field.attname for field in model._meta.concrete_fields if not field.primary_key]
    values, keys = attrgetter(*names), attrgetter("first_day")
    manager: Any = model._default_manager
    stored = manager.filter(**within)
    here = {keys(one): one for one in stored}
    same = {keys(row) for row in rows if keys(row) in here and values(row) == values(here[keys(row)])}
    gone = [one.pk for where, one in here.items() if where not in same]
    for start in range(0, len(gone), AT_ONCE):
        stored.filter(pk__in=gone[start : start + AT_ONCE]).delete()
    manager.bulk_create([row for row in rows if keys(row) not in same], batch_size=AT_ONCE)


def read(machine: Machine, first_day: dt.date | None = None) -> Known:
    """Read what a machine's summaries rest on, in eleven queries however long its record, or a few more for part."""
    visits = visits_of(machine)
    reach = reach_of(machine, visits, first_day)
    results = signed_results(machine)
    if reach.after is not None:
        results = results.filter(visit=visits[-1].pk)  # what lies after the last visit rests on no other
    order = {visit.pk: number for number, visit in enumerate(visits)}
    stations = {station.pk: station for station in machine.stations.all()}
    kinds = {pk: station.kind for pk, station in stations.items()}
    measured = [value for value in standing(results).values if value.method == STATIC]
    known = {machine.pk: knowledge_of(machine, list(stations.values()))}
    travels = travels_of({value.visit_id for value in measured})
    static = (by_reference(one, stations[one.station_id]) for one in as_it_runs(measured, stations, known, travels))
    places = places_of(static, order, kinds)
    days = day_counts(machine, reach.after, None)
    causes = cause_days(machine, days.day, reach.after)
    return Known(machine, reach, visits, places, days, causes, _mounted(machine))


def _mounted(machine: Machine) -> tuple[tuple[dt.date, int | None], ...]:
    """Return from which production day on which set was on the machine; the last change of a day counts for it."""
    plant = machine.line.plant
    changes: dict[dt.date, int | None] = {}
    rows = Fitting.objects.filter(machine=machine).order_by("fitted_at")
    for fitted, removed, tooling_set in rows.values_list("fitted_at", "removed_at", "tooling_set_id"):
        changes[production_day(plant, fitted)] = tooling_set
        if removed is not None:
            changes[production_day(plant, removed)] = None
    return tuple(sorted(changes.items()))


def _sums(days: DaySeries, causes: dict[str, Whole], starts: Whole) -> list[dict[str, Any]]:
    """Return the sums of each run of days, one for each start; runs end where the next one starts."""
    ends = np.append(starts[1:], len(days)) - 1
    columns = {name: np.add.reduceat(getattr(days, name), starts).tolist() for name in COUNTS}
    by_cause = {code: np.add.reduceat(cans, starts).tolist() for code, cans in causes.items()}
    return [
        {
            "first_day": days.day[starts[run]].item(),
            "last_day": days.day[ends[run]].item(),
            "days": int(ends[run] - starts[run] + 1),
            "by_cause": {code: cans[run] for code, cans in by_cause.items() if cans[run]},
            **{name: column[run] for name, column in columns.items()},
        }
        for run in range(len(starts))
    ]


def _starts(*keys: NDArray[Any]) -> Whole:
    """Return where a run of equal keys starts."""
    length = len(keys[0])
    if length == 0:
        return np.zeros(0, dtype=np.int64)
    new = np.ones(length, dtype=bool)
    new[1:] = np.any([key[1:] != key[:-1] for key in keys], axis=0)
    return np.flatnonzero(new)


def _between(known: Known) -> tuple[DaySeries, dict[str, Whole], Whole]:
    """Return the days within reach on which no visit was, their causes, and how many visits came before each."""
    off = ~np.isin(known.days.day, known.visit_days)
    if known.reach.after is not None:
        off &= known.days.day > np.datetime64(known.reach.after, "D")
    days = known.days.where(off)
    causes = {code: cans[off] for code, cans in known.causes.items()}
    return days, causes, np.searchsorted(known.visit_days, days.day, side="right")


def _stretches(known: Known) -> list[Stretch]:
    days, causes, before = _between(known)
    starts = _starts(before)
    rows = []
    for sums, start in zip(_sums(days, causes, starts), starts.tolist(), strict=True):
        number = int(before[start])
        since, until = either_side(known.visits, number)
        ends = left_and_found(known.places, number - 1)
        rows.append(
            Stretch(
                machine=known.machine,
                since_visit_id=since,
                until_visit_id=until,
                left=ends.left,
                found=ends.found,
                places=ends.places,
                tooling_sets=_sets_between(known, sums["first_day"], sums["last_day"]),
                **sums,
            )
        )
    return rows


def _sets_between(known: Known, first: dt.date, last: dt.date) -> list[int]:
    sets: list[int] = []
    for (day, tooling_set), after in pairwise([*known.mounted, (dt.date.max, None)]):
        if tooling_set is not None and day <= last and after[0] > first:
            sets.append(tooling_set)
    return sets


def _pieces(known: Known) -> list[Piece]:
    days, causes, before = _between(known)
    month = days.day.astype("datetime64[M]")
    changed = np.array([day for day, _ in known.mounted], dtype="datetime64[D]")
    fitted = np.searchsorted(changed, days.day, side="right")
    starts = _starts(before, month, fitted)
    sums = _sums(days, causes, starts)
    positions = _positions(known, days, starts, before)
    severity, by_station = severities(known.places, *positions)
    looks = looks_of(known.places, *positions)
    since, fitted_million = _made_since(known, positions, days.day[starts])
    late = _late(known, days, starts, before)
    sets = [None, *(tooling_set for _, tooling_set in known.mounted)]
    return [
        Piece(
            machine=known.machine,
            tooling_set_id=sets[fitted[start]],
            month=month[start].item(),
            severity=severity[number],
            by_station=by_station[number],
            looks=looks[number],
            since_million=since[number],
            fitted_million=fitted_million[number],
            late=late[number],
            **sums[number],
        )
        for number, start in enumerate(starts.tolist())
    ]


def _positions(known: Known, days: DaySeries, starts: Whole, before: Whole) -> tuple[Any, Any, Any]:
    """Return cans made up to each visit, half way through each piece, and the visits before each piece."""
    made_by_day = np.concatenate([[0.0], np.cumsum(known.days.made)])
    at_visits = made_by_day[np.searchsorted(known.days.day, known.visit_days, side="right")]
    through = made_by_day[np.searchsorted(known.days.day, days.day, side="right")]
    ends = np.append(starts[1:], len(days)) - 1
    halfway = (through[starts] - days.made[starts] + through[ends]) / 2.0 if len(starts) else np.zeros(0)
    return at_visits, halfway, before[starts]


def _made_since(
    known: Known, positions: tuple[Any, Any, Any], first: Days
) -> tuple[list[float | None], list[float | None]]:
    """Return million cans since the visit before each piece and since its tools were put on, up to half way.

    None where no visit or no fitting came before; and after the last visit, where nothing rests on them yet.
    """
    at_visits, halfway, before = positions
    none: list[float | None] = [None] * len(halfway)
    if known.reach.after is not None:
        return none, none
    changed = np.array([day for day, _ in known.mounted], dtype="datetime64[D]")
    made_by_day = np.concatenate([[0.0], np.cumsum(known.days.made)])
    at_fitting = made_by_day[np.searchsorted(known.days.day, changed)]
    fitted = np.where(before < len(at_visits), np.searchsorted(changed, first, side="right"), 0)
    visits = np.where(before < len(at_visits), before, 0)
    return _since(halfway, at_visits, visits), _since(halfway, at_fitting, fitted)


def _since(halfway: Any, starts: Any, number: Any) -> list[float | None]:
    """Return million cans since the start of each number, counted from 1; None for 0."""
    return [
        round((half - float(starts[at - 1])) / 1e6, 5) if at else None
        for half, at in zip(halfway.tolist(), number.tolist(), strict=True)
    ]


def _late(known: Known, days: DaySeries, starts: Whole, before: Whole) -> list[float]:
    """Return the share of each piece's cans that were made in the last days before the next visit."""
    if not len(starts):
        return []
    visits = np.append(known.visit_days, np.datetime64("9999-12-31", "D"))
    soon = visits[before] - days.day <= np.timedelta64(LATE_DAYS, "D")
    made = np.maximum(np.add.reduceat(days.made, starts), 1)
    return [round(share, 4) for share in (np.add.reduceat(days.made * soon, starts) / made).tolist()]
