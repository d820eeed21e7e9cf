"""What the sheet of a visit tells that no sweep gave: bushings measured, parts fitted and set, the bar."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Callable

from linelog.alignment.bushings import clearance_headline, lever_words, position_words, travel_words
from linelog.alignment.models import BarSetup, BushingClearance, BushingFitted, BushingPosition, SetByFitting, Visit
from linelog.calc.units import Unit
from linelog.web.units import show_um

When = Callable[[dt.datetime | None], str]


def measured_lines(visit: Visit, unit: Unit, when: When) -> dict[int, list[str]]:
    """Return the sentences of each station, by its key."""
    found: dict[int, list[str]] = defaultdict(list)
    for row in BushingClearance.objects.filter(visit=visit).select_related("by"):
        limit = show_um(row.limit_um, unit, with_unit=True)
        words, lever = clearance_headline(row, unit), _by_the_lever(row, unit)
        found[row.station_id].append(
            f"{row.get_stage_display()}, clearance: {travel_words(row, unit)}; wear limit {limit}.{lever} {words} "
            f"({row.by}, {when(row.at)})"
        )
    for place in BushingPosition.objects.filter(visit=visit).select_related("by"):
        found[place.station_id].append(
            f"{place.get_stage_display()}, position: {position_words(place, unit)} ({place.by}, {when(place.at)})"
        )
    for new in BushingFitted.objects.filter(visit=visit).select_related("by"):
        found[new.station_id].append(f"New bushing fitted on {new.fitted_on:%Y-%m-%d} ({new.by}, {when(new.at)})")
    for row_set in SetByFitting.objects.filter(visit=visit).select_related("by"):
        found[row_set.station_id].append(f"Set by the fitting {row_set.fitting} ({row_set.by}, {when(row_set.at)})")
    return found


def _by_the_lever(row: BushingClearance, unit: Unit) -> str:
    """Say what the travels came to where the dial stood away from the bushing, so that both can be reckoned again."""
    if row.dial_z_mm is None:
        return ""
    up, across = (show_um(um, unit) for um in (row.clearance_up_down_um, row.clearance_left_right_um))
    return f" {lever_words(row, unit)} So its clearance is up and down {up}, left and right {across}."


def bar_line(visit: Visit, unit: Unit) -> str:
    """Return how the bar in the cradle was set up; nothing where there was none."""
    bar = BarSetup.objects.filter(visit=visit).first()
    if bar is None:
        return ""
    sag, unsure = show_um(bar.sag_um, unit), show_um(bar.sag_uncertainty_um, unit, with_unit=True)
    note = f"; {bar.note}" if bar.note else ""
    return f"sag {sag} ± {unsure} (standard), centred within {show_um(bar.centring_um, unit, with_unit=True)}{note}"
