"""The plant's own ratio of wall to offset, kept with the state of the log of each machine that it rests on.

The pairs of a machine rest on its own log alone. So a page that finds the log of a machine changed works out the
pairs of that machine, not of the plant, and keeps them for the next page: what is shown is always the log's.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import asdict
from typing import Any

from django.db.models import CharField, Count, QuerySet, Sum
from django.db.models.functions import Cast

from linelog.alignment.models import Amendment
from linelog.calc.wall import Ratio
from linelog.plant.models import Machine, Plant, Station
from linelog.trends import refit, words
from linelog.trends.models import Fit
from linelog.trends.queries import wall as queries
from linelog.trends.wall_pairs import METHODS, Learned, MeanPair, Since, learn, mean_pairs, timelines
from linelog.web import writes

KIND = "wall ratio"
ALGORITHM = "1"
Bases = dict[str, str]  # machine, as JSON has its keys


def learned(plant: Plant, now: dt.datetime) -> dict[str, Learned]:
    """Return what the plant has learned by each method; machines whose log has changed are worked out and kept."""
    since = Since.at(now)
    state = bases(Machine.objects.filter(line__plant=plant).values_list("pk", flat=True), since)
    fit = Fit.objects.filter(plant=plant, kind=KIND, scope="").first()
    kept = fit.result if fit else {"bases": {}, "learned": {}}
    if fit and kept["bases"] == state:
        return {method: _restored(method, kept["learned"][method]) for method in METHODS}
    same = {int(pk) for pk, basis in state.items() if kept["bases"].get(pk) == basis}
    pairs = _pairs([int(pk) for pk in state if int(pk) not in same], since)
    for method, one in kept["learned"].items():
        pairs[method] += [pair for pair in _restored(method, one).pairs if pair.machine_id in same]
    found = {method: learn(pairs[method], method) for method in METHODS}
    _keep(plant, now, state, found)
    return found


def refit_wall(plant: Plant, now: dt.datetime) -> None:
    """See that the ratio is kept as the log has it."""
    learned(plant, now)


def bases(machines: Iterable[int], since: Since) -> Bases:
    """Return the state of the log that each machine's pairs rest on, in seven queries.

    Counts tell what came or went or is older by now than is looked at, keys what was replaced by as many others, and
    versions what was changed. Results of signed visits never change, amendments are never taken back.
    """
    ids = list(machines)
    stations = Station.objects.filter(machine__in=ids, kind__in=queries.MOVES_THE_LINE)
    parts = (
        _sums(queries.samples(ids, since.learned), "machine", "version"),
        _sums(queries.signed(ids, since.measured), "machine"),
        _sums(Amendment.objects.filter(visit__machine__in=ids), "visit__machine"),
        _sums(queries.moves(ids, since.measured), "station__machine"),
        _sums(queries.fittings(ids, since.measured), "machine", "version"),
        _sums(stations, "machine", "version"),
        _times(ids, since),
    )
    return {str(pk): "|".join([ALGORITHM, *(part.get(pk, "") for part in parts)]) for pk in ids}


def _sums(rows: QuerySet[Any], machine: str, *more: str) -> dict[int, str]:
    told = {name: Sum(name) for name in ("pk", *more)}
    found = rows.order_by().values_list(machine).annotate(Count("pk"), *told.values())
    return {pk: ",".join(map(str, sums)) for pk, *sums in found}


def _times(machines: Collection[int], since: Since) -> dict[int, str]:
    """Return when events were: they have no version, and an administrator may put the time of one right."""
    times: dict[int, list[str]] = defaultdict(list)
    happened = queries.upsets(machines, since.measured).order_by("at")
    for machine, at in happened.values_list("machine", Cast("at", CharField())):
        times[machine].append(at)
    return {machine: writes.digest(found)[:16] for machine, found in times.items()}


def _pairs(machines: Collection[int], since: Since) -> dict[str, list[MeanPair]]:
    """Work out the pairs of some machines from the log."""
    walls = queries.lowest_walls(machines, since.learned)
    offsets, upsets = queries.pack_offsets(machines, since.measured), queries.disturbances(machines, since.measured)
    lines = timelines(offsets, upsets)
    return {method: mean_pairs(walls, lines, method) for method in METHODS}


def _keep(plant: Plant, now: dt.datetime, state: Bases, found: dict[str, Learned]) -> None:
    result = {method: {"pairs": one.pairs, "ratio": one.ratio and asdict(one.ratio)} for method, one in found.items()}
    refit.keep(
        plant,
        KIND,
        "",
        now,
        rests_on={"machines": len(state), "pairs": {method: len(one.pairs) for method, one in found.items()}},
        result={"bases": state, "learned": result},
        sentence=" ".join(_sentence(one) for one in found.values()),
    )


def _sentence(one: Learned) -> str:
    pairs = words.plural(len(one.pairs), "pair")
    if one.ratio is None:
        return f"Nothing is learned from {pairs} of walls and {one.method} offsets."
    return f"The wall shows {one.ratio.value:.2f} of the {one.method} offset, by {pairs}."


def _restored(method: str, kept: dict[str, Any]) -> Learned:
    ratio = Ratio(**kept["ratio"]) if kept["ratio"] else None
    return Learned(method, tuple(MeanPair(*pair) for pair in kept["pairs"]), ratio)
