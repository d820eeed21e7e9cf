"""The daily sums, kept up to date by whatever writes shifts."""

from __future__ import annotations

import datetime as dt

from django.db import connection

from linelog.production import bulk
from linelog.production.models import DayCount, ShiftCount
from linelog.production.queries import COUNTS

SUMS, SHIFTS = DayCount._meta.db_table, ShiftCount._meta.db_table
TOUCHED = ["machine_id", "day"]
# One statement in the database in place of reading and writing back every sum. Both engines know this form
# (SQL's INSERT ... SELECT with the ON CONFLICT clause that SQLite took over from PostgreSQL).
_REFRESH = """
INSERT INTO {sums} (machine_id, day, {names})
SELECT s.machine_id, s.day, {totals} FROM {{shifts}} WHERE {{which}} GROUP BY s.machine_id, s.day
ON CONFLICT (machine_id, day) DO UPDATE SET {updates}
""".format(
    sums=SUMS,
    names=", ".join(COUNTS),
    totals=", ".join(f"SUM(s.{name})" for name in COUNTS),
    updates=", ".join(f"{name} = excluded.{name}" for name in COUNTS),
)
_SPAN = _REFRESH.format(shifts=f"{SHIFTS} s", which="s.machine_id = %s AND s.day BETWEEN %s AND %s")
_DAYS = _REFRESH.format(
    shifts=f"touched t CROSS JOIN {SHIFTS} s", which="s.machine_id = t.machine_id AND s.day = t.day"
)


def refresh(machine_id: int, since: dt.date, until: dt.date) -> None:
    """Add up the shifts of one machine from day to day anew, in the caller's transaction."""
    with connection.cursor() as cursor:
        cursor.execute(_SPAN, [machine_id, since.isoformat(), until.isoformat()])


def refresh_days(touched: bulk.Payload) -> None:
    """Add up just these days of these machines (pairs of TOUCHED, each once) anew, in the caller's transaction."""
    if touched:
        with bulk.temporary("touched", SHIFTS, TOUCHED, touched), connection.cursor() as cursor:
            cursor.execute(_DAYS)


def forget_empty(machine_id: int, day: dt.date) -> None:
    """Take out the sum of a day whose last shift was taken out."""
    if not ShiftCount.objects.filter(machine_id=machine_id, day=day).exists():
        DayCount.objects.filter(machine_id=machine_id, day=day).delete()
