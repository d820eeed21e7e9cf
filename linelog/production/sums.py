"""The daily sums, kept up to date by whatever writes shifts."""

from __future__ import annotations

import datetime as dt

from django.db import connection

from linelog.production.models import DayCount, ShiftCount
from linelog.production.queries import COUNTS

# One statement in the database in place of reading and writing back every sum. Both engines know this form
# (SQL's INSERT ... SELECT with the ON CONFLICT clause that SQLite took over from PostgreSQL).
_REFRESH = """
INSERT INTO {sums} (machine_id, day, {names})
SELECT machine_id, day, {totals} FROM {shifts}
WHERE machine_id = %s AND day BETWEEN %s AND %s GROUP BY machine_id, day
ON CONFLICT (machine_id, day) DO UPDATE SET {updates}
""".format(
    sums=DayCount._meta.db_table,
    shifts=ShiftCount._meta.db_table,
    names=", ".join(COUNTS),
    totals=", ".join(f"SUM({name})" for name in COUNTS),
    updates=", ".join(f"{name} = excluded.{name}" for name in COUNTS),
)


def refresh(machine_id: int, since: dt.date, until: dt.date) -> None:
    """Add up the shifts of one machine from day to day anew, in the caller's transaction."""
    with connection.cursor() as cursor:
        cursor.execute(_REFRESH, [machine_id, since.isoformat(), until.isoformat()])


def forget_empty(machine_id: int, day: dt.date) -> None:
    """Take out the sum of a day whose last shift was taken out."""
    if not ShiftCount.objects.filter(machine_id=machine_id, day=day).exists():
        DayCount.objects.filter(machine_id=machine_id, day=day).delete()
