"""Tools: the parts of each set, and which set was on which machine from when to when."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from linelog.plant.models import Fitting, ToolPart
from linelog.reports.tables.asked import Asked
from linelog.reports.tables.stored import Field, Source, machine_and_line, stored, tooling_set
from linelog.reports.tables.table import Row, date, number, text, time, whole


def _fitted(asked: Asked, rows: list[Row]) -> Iterable[Sequence[Any]]:
    """Return the line and machine that each part's set is on now."""
    found = Fitting.objects.filter(machine__line__plant=asked.plant, removed_at__isnull=True)
    on = dict(found.values_list("tooling_set_id", "machine_id"))
    return [asked.named(on.get(row[1])) for row in rows]  # row[1]: the number of its set


TOOLING = stored(
    "tooling",
    "Tooling",
    "Every tool of every tooling set, with the machine that the set is on now.",
    Source(ToolPart.objects.all, "tooling_set__plant", is_plants=True),
    (
        Field(whole("part_id", "Number of the tool."), "pk"),
        Field(whole("set_id", "Number of the set."), "tooling_set_id"),
        tooling_set("tooling_set_id"),
        Field(date("set_retired_on", "Day the set was retired."), "tooling_set__retired_on"),
        Field(text("kind", "Which tool.", ToolPart.Kind.choices), "kind"),
        Field(text("serial", "Its serial number."), "serial"),
        Field(number("diameter_mm", "Diameter: bore of a die, of a punch at the mid wall.", "mm"), "diameter_mm"),
        Field(number("diameter_new_mm", "Diameter when new.", "mm"), "diameter_new_mm"),
        Field(number("top_wall_diameter_mm", "Of a punch, at the top wall.", "mm"), "top_wall_diameter_mm"),
        Field(number("land_mm", "Length of the land.", "mm"), "land_mm"),
        Field(number("entry_angle_deg", "Entry angle.", "degrees"), "entry_angle_deg"),
        Field(number("nose_radius_mm", "Nose radius.", "mm"), "nose_radius_mm"),
        Field(number("runout_um", "Runout.", "um"), "runout_um"),
        Field(whole("regrinds", "How often it was reground."), "regrinds"),
        Field(whole("cans_run", "Cans it has made.", "cans"), "cans_run"),
    ),
    day="",
    page="plant:setup",
    by_line=False,
    more=(text("line", "Line of the machine that the set is on now."), text("machine", "That machine.")),
    add=_fitted,
)

FITTINGS = stored(
    "fittings",
    "Tooling on machines",
    "Which tooling set was on which machine, from when to when, and why it came out.",
    Source(Fitting.objects.all, "machine", "fitted_at"),
    (
        Field(whole("fitting_id", "Number of the fitting."), "pk"),
        *machine_and_line("machine_id"),
        tooling_set("tooling_set_id"),
        Field(time("fitted_at", "When it was fitted."), "fitted_at"),
        Field(time("removed_at", "When it was taken off; empty: it is on."), "removed_at"),
        Field(text("reason_out", "Why it came out."), "reason_out"),
    ),
    day="the day it was fitted",
    page="plant:setup",
)

TABLES = (TOOLING, FITTINGS)
