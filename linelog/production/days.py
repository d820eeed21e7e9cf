"""The production day: it begins when the plant says, so a night shift belongs to the day it began in."""

from __future__ import annotations

import datetime as dt
import zoneinfo

from linelog.plant.models import Plant


def zone(plant: Plant) -> zoneinfo.ZoneInfo:
    """Return the plant's own time zone."""
    return zoneinfo.ZoneInfo(plant.timezone)


def local_day(plant: Plant, at: dt.datetime) -> dt.date:
    """Return the date that the plant's wall clock shows at an aware time; dates that people type are such."""
    return at.astimezone(zone(plant)).date()


def production_day(plant: Plant, at: dt.datetime) -> dt.date:
    """Return the production day of an aware time, by the plant's wall clock (so changes of the clock do no harm)."""
    local = at.astimezone(zone(plant))
    return local.date() if local.time() >= plant.day_starts else local.date() - dt.timedelta(days=1)


def day_begins(plant: Plant, day: dt.date) -> dt.datetime:
    """Return the aware time at which a production day begins."""
    return dt.datetime.combine(day, plant.day_starts, tzinfo=zone(plant))
