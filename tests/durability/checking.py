"""Count what was lost, doubled or left half in the database of a program that was killed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, fields
from importlib import import_module
from itertools import groupby
from typing import Any

import environ
from django.db import connections

from linelog.alignment.models import MoveMade, Reading, Result, Sweep
from linelog.alignment.services.results import compute_in, result_values
from linelog.web.backup.making import one_moment
from linelog.web.models import AuditEvent, WriteKey
from tests.durability.program import Program
from tests.durability.writer import Write

ALIAS = "killed"


@dataclass(slots=True)
class Found:
    """What a look into the database found; all but the first two ought to be 0."""

    acknowledged: int = 0
    stored: int = 0
    lost: int = 0
    doubled: int = 0
    half: int = 0

    def __str__(self) -> str:
        return ", ".join(f"{getattr(self, one.name)} {one.name}" for one in fields(self))


@contextmanager
def database_of(program: Program, alias: str = ALIAS) -> Iterator[str]:
    """Give the alias of a connection of our own to the program's database."""
    config: dict[str, Any] = {**connections["default"].settings_dict, "OPTIONS": {}}
    if program.url:
        config |= environ.Env.db_url_config(program.url)
    else:
        config |= {"ENGINE": "django.db.backends.sqlite3", "NAME": f"{program.folder}/linelog.sqlite3"}
    connections[alias] = import_module(f"{config['ENGINE']}.base").DatabaseWrapper(config, alias)
    try:
        yield alias
    finally:
        connections[alias].close()
        del connections[alias]


@contextmanager
def as_default(alias: str) -> Iterator[None]:
    """Let what names no database, as the program's sums do where they look up more, ask this one."""
    before = connections["default"]
    connections["default"] = connections[alias]
    try:
        yield
    finally:
        connections["default"] = before


def look(program: Program, acknowledged: Iterable[Write]) -> Found:
    """Compare what was acknowledged until now with the program's database, and that with itself."""
    promised = list(acknowledged)
    with database_of(program) as alias:
        return compare(promised, alias)


def compare(promised: list[Write], using: str) -> Found:
    """Compare what was promised with one moment of a database that holds nothing else, and that with itself."""
    with one_moment(using) as then:
        keys = dict(WriteKey.objects.using(then).values_list("key", "answer"))
        readings = {_place(row): row.pk for row in Reading.objects.using(then).select_related("sweep")}
        moves = list(MoveMade.objects.using(then).values_list("visit_id", "station_id", "words", "pk"))
        said = Counter(AuditEvent.objects.using(then).values_list("action", "object_type", "object_id"))
        with as_default(then):
            wrong_sums = _wrong_sums(then)
    told = {key[2]: number for key, number in said.items() if key[:2] == ("typed reading", "reading")}
    told_moves = {key[2]: number for key, number in said.items() if key[:2] == ("logged move", "movemade")}
    ids, move_ids = {str(pk) for pk in readings.values()}, {str(move[3]) for move in moves}
    words = Counter(move[:3] for move in moves)
    there = {"reading": readings.keys(), "move": words.keys()}
    return Found(
        acknowledged=len(promised),
        stored=len(readings) + len(moves),
        lost=sum(write.key not in keys or write.place not in there[write.kind] for write in promised),
        doubled=sum(number - 1 for number in (*words.values(), *told.values(), *told_moves.values())),
        half=len(ids ^ told.keys())
        + len(move_ids ^ told_moves.keys())
        + abs(len(keys) - len(readings) - len(moves))
        + sum(answer is None for answer in keys.values())
        + wrong_sums,
    )


def _place(row: Reading) -> tuple[Any, ...]:
    sweep = row.sweep
    return (sweep.visit_id, sweep.station_id, sweep.stage, sweep.seat, row.repeat, row.angle_deg, row.typed)


def _wrong_sums(using: str) -> int:
    """Work every station out anew from its readings and count the results that are not what is stored."""
    rows = Sweep.objects.using(using).order_by("visit", "station", "stage").prefetch_related("readings")
    rows = rows.select_related("station", "visit__machine__line__plant")
    results = Result.objects.using(using)
    stored = {(one.visit_id, one.station_id, one.stage, one.seat): one for one in results}
    wrong = 0
    for (visit, station, stage), group in groupby(rows, lambda row: (row.visit_id, row.station_id, row.stage)):
        sweeps = list(group)
        of, where = sweeps[0].visit, sweeps[0].station
        found = compute_in(of, where, stage, sweeps)
        for seat, outcome in found.seats.items():
            kept = stored.pop((visit, station, stage, seat), None)
            if outcome.value is None or kept is None:
                wrong += (outcome.value is None) != (kept is None)
                continue
            wanted = result_values(found, outcome, kept.at)
            wrong += any(getattr(kept, name) != value for name, value in wanted.items())
    return wrong + len(stored)
