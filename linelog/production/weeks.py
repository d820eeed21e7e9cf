"""Weeks of the plan: each is known by its Monday, on the plant's own calendar."""

from __future__ import annotations

import datetime as dt

from linelog.plant.models import Plant
from linelog.production.days import zone

FEWEST, USUAL, MOST = 2, 4, 8


def monday(day: dt.date) -> dt.date:
    """Return the Monday of a day's week."""
    return day - dt.timedelta(days=day.weekday())


def coming(today: dt.date, number: int) -> list[dt.date]:
    """Return the Mondays of so many weeks, this one first."""
    return [monday(today) + dt.timedelta(days=7 * week) for week in range(number)]


def begins(plant: Plant, week: dt.date) -> dt.datetime:
    """Return when a week begins where the plant is."""
    return dt.datetime.combine(week, dt.time(), tzinfo=zone(plant))


def label(week: dt.date) -> str:
    """Name a week by its ISO number and its Monday."""
    return f"week {week.isocalendar().week}, from {week.isoformat()}"
