"""Where the stations of a plant stood in each piece of time, worked out once for all questions of a table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from linelog.calc.arrays import IntArray
from linelog.calc.calibrated import Severities
from linelog.calc.offset_path import Looks, Spans, Wander, fit_kinds
from linelog.plant.models import Station
from linelog.trends.evidence.scope import GROUPS, WORST
from linelog.trends.evidence.table import Table

KINDS: tuple[str, ...] = tuple(Station.Kind.values)


@dataclass(frozen=True, slots=True)
class Looked:
    """Expected severities of each group and of all stations beside it, in the rows of a table.

    groups  by the name of a group (worst, tools, a kind): its column, and that of the others if there are any
    error   of one measured component, in limits, by kind
    """

    severities: Severities
    groups: dict[str, tuple[int, int | None]]

    def columns(self, station: str) -> list[int] | None:
        """Return the columns to be fitted together for a group, None where nothing is known of it."""
        if station not in self.groups:
            return None
        own, others = self.groups[station]
        return [own] if others is None else [own, others]

    def error(self, station: str) -> float:
        """Return the usual error of a measured component of a group, in limits."""
        kinds = GROUPS.get(station, KINDS if station == WORST else (station,))
        found = [error for kind, error in self.severities.error.items() if KINDS[kind] in kinds]
        return float(np.median(found))


def spans_of(table: Table) -> tuple[Spans, Looks] | None:
    """Return the ways between visits that the pieces tell of, and the looks of the pieces at them."""
    keys: dict[tuple[int, str, int], list[Any]] = {}
    seen: list[tuple[int, tuple[int, str, int], float]] = []
    for piece, (machine, looks) in enumerate(zip(table.machine.tolist(), table.looks, strict=True)):
        for look in looks:
            key = (machine, look[0], look[2])
            keys.setdefault(key, look)
            seen.append((piece, key, look[8]))
    if not keys:
        return None
    order = sorted(keys)
    number = {key: at for at, key in enumerate(order)}
    looks = Looks(
        np.array([piece for piece, _, _ in seen], dtype=np.int64),
        np.array([number[key] for _, key, _ in seen], dtype=np.int64),
        np.array([share for _, _, share in seen], dtype=np.float64),
    )
    return _spans(order, [keys[key] for key in order]), looks


def _spans(order: list[tuple[int, str, int]], rows: list[list[Any]]) -> Spans:
    numbers = np.array([row[3:8] for row in rows], dtype=np.float64)
    moved = np.array([row[9] for row in rows], dtype=bool)
    first = np.array([row[10] for row in rows], dtype=bool)
    places = {place: at for at, place in enumerate(dict.fromkeys(key[:2] for key in order))}
    place = np.array([places[key[:2]] for key in order], dtype=np.int64)
    visit = np.array([key[2] for key in order], dtype=np.int64)
    next_to = np.r_[False, (place[1:] == place[:-1]) & (visit[1:] == visit[:-1] + 1)]
    return Spans(
        left=numbers[:, :2],
        found=numbers[:, 2:4],
        million=numbers[:, 4],
        machine=np.array([key[0] for key in order], dtype=np.int64),
        kind=np.array([KINDS.index(row[1]) for row in rows], dtype=np.int64),
        place=place,
        follows=next_to & ~moved,
        aligned=moved & ~first,
    )


def look(table: Table, wander: Mapping[int, Wander] | None = None) -> tuple[Looked, dict[int, Wander]] | None:
    """Work out a table, with how stations wander or learning that from it; None where nothing is known."""
    found = spans_of(table)
    if found is None:
        return None
    spans, looks = found
    wander = {kind: one for kind, one in (wander or {}).items() if (spans.kind == kind).any()}
    wander = wander or fit_kinds(spans)
    known = spans.kind[looks.span]
    if not np.isin(known, list(wander)).all():
        wander |= {kind: next(iter(wander.values())) for kind in np.unique(known).tolist() if kind not in wander}
    groups, columns = _groups(np.unique(known))
    return Looked(Severities.of(spans, looks, wander, columns, len(table)), groups), wander


def _groups(codes: IntArray) -> tuple[dict[str, tuple[int, int | None]], list[list[int]]]:
    there = codes.tolist()
    members = {WORST: there} | {
        name: [code for code in there if KINDS[code] in kinds] for name, kinds in GROUPS.items()
    }
    members |= {KINDS[code]: [code] for code in there}
    groups: dict[str, tuple[int, int | None]] = {}
    columns: list[list[int]] = []
    for name, own in members.items():
        others = [code for code in there if code not in own]
        if own:
            groups[name] = (len(columns), len(columns) + 1 if others else None)
            columns += [own, others] if others else [own]
    return groups, columns
