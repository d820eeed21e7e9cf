"""The invented counts as shift rows, stored in one go; the daily sums by the program's own statement."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable

import numpy as np
import polars as pl

from linelog.demo.model import ShiftNumbers
from linelog.demo.scenario import Cause
from linelog.plant.models import Machine, Shift
from linelog.production import bulk, sums
from linelog.production.models import ShiftCount

COLUMNS = [
    *("machine_id", "day", "shift_id", "cans", "spoiled", "tear_offs", "short_cans", "jams", "minutes_down"),
    *("by_cause", "version"),
]


def store(
    machine: Machine, numbers: ShiftNumbers, shifts: list[Shift], causes: tuple[Cause, ...], first: dt.date
) -> int:
    """Store the shifts of a machine that were run, and their daily sums; return how many shifts."""
    table = frame(machine, numbers, shifts, causes, first)
    rows = bulk.insert(ShiftCount._meta.db_table, COLUMNS, bulk.payload(table))
    sums.refresh(machine.pk, first, first + dt.timedelta(days=len(numbers.begun)))
    return rows


def frame(
    machine: Machine, numbers: ShiftNumbers, shifts: list[Shift], causes: tuple[Cause, ...], first: dt.date
) -> pl.DataFrame:
    """Return the rows; a shift that was not run has none: nothing is known of it, which is not zero."""
    day, shift = np.nonzero(numbers.begun)
    by_cause = np.stack(numbers.by_cause, axis=-1)[day, shift]
    return pl.DataFrame(
        {
            "machine_id": np.full(len(day), machine.pk),
            "day": np.datetime64(first, "D") + day,
            "shift_id": np.array([row.pk for row in shifts])[shift],
            "cans": numbers.good[day, shift],
            "spoiled": numbers.spoiled[day, shift],
            "tear_offs": numbers.tear_offs[day, shift],
            "short_cans": numbers.short_cans[day, shift],
            "jams": numbers.jams[day, shift],
            "minutes_down": numbers.minutes_down[day, shift],
            "by_cause": list(_as_json(by_cause, causes)),
            "version": np.ones(len(day), dtype=np.int64),
        }
    )


def _as_json(by_cause: np.ndarray[tuple[int, int], np.dtype[np.int64]], causes: tuple[Cause, ...]) -> Iterable[str]:
    codes = [cause.code for cause in causes]
    return (
        json.dumps({code: cans for code, cans in zip(codes, row, strict=True) if cans}) for row in by_cause.tolist()
    )
