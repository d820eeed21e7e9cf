"""The numbers under the charts, as tables to read and as CSV to take away: from the very series that are drawn."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from linelog.alignment.standing import Value
from linelog.calc import frame
from linelog.calc.readings import View
from linelog.calc.units import Unit
from linelog.trends import words
from linelog.trends.addresses import visit_url
from linelog.trends.clock import Clock, clock_words, clocks
from linelog.trends.queries.marks import MarkKind
from linelog.trends.rates import SPOILED, TEAR_OFFS, Measure
from linelog.trends.series import OffsetSeries
from linelog.trends.trend import Trend
from linelog.web import units
from linelog.web.templatetags.units import count

Plain = str | int | float | None


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its heading on the page, its name in the file, and whether it holds numbers."""

    heading: str
    name: str
    is_number: bool = False


@dataclass(frozen=True, slots=True)
class Cell:
    """One value: as text on the page, as it is in the file; with an address, or a state to show by shape."""

    text: str
    value: Plain
    url: str = ""
    state: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """A table, the newest row first."""

    title: str
    columns: tuple[Column, ...]
    rows: Sequence[tuple[Cell, ...]]


def _plain(value: str) -> Cell:
    return Cell(value, value)


def offsets_table(trend: Trend, unit: Unit) -> Table:
    """Every value that stands: as found and as left, across and up, against its limit."""
    mark, tag = units.label(unit), unit.value
    lengths = [
        ("Across, + right seen from the crank", "across"),
        ("Up", "up"),
        ("Offset", "offset"),
        ("U", "expanded"),
        ("Limit", "limit"),
    ]
    columns = (
        Column("Visit", "visit"),
        Column("Station", "station"),
        Column("Measured", "method"),
        Column("Stage", "stage"),
        *(Column(f"{heading}, {mark}", f"{name}_{tag}", True) for heading, name in lengths),
        Column("Toward", "toward_deg", True),
        Column("Verdict", "verdict"),
        Column("Remark", "remark"),
    )
    pairs = [(value, series) for series in trend.offsets for value in series.values]
    pairs.sort(key=lambda pair: (pair[0].visit_at, pair[0].stage), reverse=True)
    rows = [_offset_row(value, series, trend, unit) for value, series in pairs]
    return Table("Offsets, as found and as left", columns, rows)


def _offset_row(value: Value, series: OffsetSeries, trend: Trend, unit: Unit) -> tuple[Cell, ...]:
    local = value.visit_at.astimezone(trend.zone)

    def length(um: float, *, signed: bool = False) -> Cell:
        return Cell(units.show_um(um, unit, signed=signed), round(um / unit.um, 7))

    return (
        Cell(words.date(local.date()), local.isoformat(timespec="minutes"), url=visit_url(value.visit_id)),
        _plain(words.place(series.station, series.seat)),
        _plain(value.method),
        _plain(words.STAGES[value.stage]),
        length(value.x_um, signed=True),
        length(value.y_um, signed=True),
        length(value.radial_um),
        length(value.expanded_um),
        length(value.limit_um),
        Cell(frame.clock_words(value.direction_deg, View.CRANK), round(value.direction_deg, 1)),
        Cell(value.verdict, value.verdict, state=words.VERDICT_STATES[value.verdict]),
        _plain(_remark(value, unit)),
    )


def _remark(value: Value, unit: Unit) -> str:
    parts = ["not touched"] if value.carried else []
    if value.amended is not None:
        was = [units.show_um(um, unit, signed=True) for um in (value.amended.was_x_um, value.amended.was_y_um)]
        parts.append(
            f"amended, measured was {was[0]} across (right, from the crank), {was[1]} up: {value.amended.reason}"
        )
    return "; ".join(parts)


def rate_table(trend: Trend, unit: Unit, *, measure: Measure) -> Table:
    """Tabulate a rate by day or week with its exact interval and its control limits."""
    per = measure.unit
    rate = trend.rates[measure.key]
    columns = (
        Column("Week from" if trend.counted.by_week else "Day", "from"),
        Column("Cans", "cans", True),
        Column(measure.name, measure.key, True),
        Column(f"Rate, {per}", "rate", True),
        Column("95 % from", "low", True),
        Column("to", "high", True),
        Column("Lower limit", "lower_limit", True),
        Column("Upper limit", "upper_limit", True),
        Column("Against the limits", "state"),
    )
    if rate is None:
        return Table(f"{measure.name} {per}", columns, [])
    found, chart = rate.rates, rate.chart
    parts = (found.rate, found.low, found.high, chart.lower, chart.upper)
    states = np.where(rate.above, "above", np.where(rate.below, "below", "within"))
    rows = []
    for index in reversed(range(len(rate.day))):
        day = rate.day[index].item()
        rows.append(
            (
                Cell(words.date(day), day.isoformat()),
                Cell(count(found.cans[index]), int(found.cans[index])),
                Cell(count(found.counts[index]), int(found.counts[index])),
                *(Cell(f"{part[index]:.{measure.decimals}f}", float(part[index])) for part in parts),
                Cell(str(states[index]), str(states[index]), state="in" if states[index] == "within" else "out"),
            )
        )
    return Table(f"{measure.name} {per}", columns, rows)


def directions_table(trend: Trend, unit: Unit) -> Table:
    """How the as-found directions of each station agree."""
    columns = (
        Column("Station", "station"),
        Column("Measured", "method"),
        Column("Values", "n", True),
        Column("Mean direction", "mean_deg", True),
        Column("Agreement, 0 to 1", "resultant", True),
        Column("Chance p", "rayleigh_p", True),
        Column("In words", "in_words"),
    )
    return Table("Directions as found", columns, [_direction_row(clock) for clock in clocks(trend)])


def _direction_row(clock: Clock) -> tuple[Cell, ...]:
    found, none = clock.found, Cell("–", None)
    mean = found.mean_deg if found else None
    p = found.p if found else None
    return (
        _plain(words.place(clock.series.station, clock.series.seat)),
        _plain(clock.series.method),
        Cell(str(len(clock.values)), len(clock.values)),
        none if mean is None else Cell(frame.clock_words(mean, clock.view), round(mean, 1)),
        none if found is None else Cell(f"{found.resultant:.2f}", round(found.resultant, 4)),
        none if p is None else Cell(f"{p:.3f}", round(p, 6)),
        _plain(clock_words(clock)),
    )


def happened_table(trend: Trend, unit: Unit) -> Table:
    """Visits, tooling changes, jams and other events."""
    names = {MarkKind.VISIT: "visit", MarkKind.TOOLING: "tooling", MarkKind.EVENT: "event"}
    columns = (Column("When", "at"), Column("What", "kind"), Column("Which", "label"), Column("Remark", "remark"))
    rows = []
    for mark in sorted(trend.marks, key=lambda mark: mark.at, reverse=True):
        local = mark.at.astimezone(trend.zone)
        when = Cell(f"{words.date(local.date())}, {local:%H:%M}", local.isoformat(timespec="minutes"), url=mark.url)
        rows.append((when, _plain(names[mark.kind]), _plain(mark.label), _plain(mark.detail)))
    return Table("What happened", columns, rows)


def tear_offs_table(trend: Trend, unit: Unit) -> Table:
    """Tear-offs per million cans."""
    return rate_table(trend, unit, measure=TEAR_OFFS)


def spoiled_table(trend: Trend, unit: Unit) -> Table:
    """Spoiled cans in percent."""
    return rate_table(trend, unit, measure=SPOILED)


TITLES = {
    "offsets": "Offsets",
    "tear-offs": "Tear-offs",
    "spoiled": "Spoiled cans",
    "directions": "Directions",
    "happened": "What happened",
}
TABLES: dict[str, Callable[[Trend, Unit], Table]] = {
    "offsets": offsets_table,
    "tear-offs": tear_offs_table,
    "spoiled": spoiled_table,
    "directions": directions_table,
    "happened": happened_table,
}


def as_csv(table: Table) -> str:
    """Write a table as CSV (RFC 4180): plain numbers with a decimal point, ISO dates."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow([column.name for column in table.columns])
    writer.writerows([_safe(cell.value) for cell in row] for row in table.rows)
    return out.getvalue()


def _safe(value: Plain) -> Plain:
    """Keep a spreadsheet from running typed text as a formula."""
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r") else value
