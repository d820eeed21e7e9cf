"""The numbers of tools and wall, to read and as CSV: from the very points that are drawn."""

from __future__ import annotations

from linelog.calc.frame import turn_deg
from linelog.calc.readings import View, clock_position
from linelog.calc.units import Unit
from linelog.production.wall_words import STATES
from linelog.trends import words
from linelog.trends.addresses import visit_url, wall_url
from linelog.trends.tables import Cell, Column, Table
from linelog.trends.wall import WallPage
from linelog.trends.wall_pairs import METHODS, WallPoint
from linelog.web import units

NONE = Cell("–", None)
CAN_COLUMNS, HEIGHT_COLUMN = 10, 3


def wall_table(page: WallPage, unit: Unit) -> Table:
    """Every height of every can, the newest first, with the offset it belongs to by either method."""
    mark, tag = units.label(unit), unit.value
    columns = (
        Column("Made at", "made_at"),
        Column("Can", "can"),
        Column("Tools then", "tools"),
        Column("Height, mm", "height_mm", True),
        Column(f"Mean, {mark}", f"mean_{tag}", True),
        Column(f"e, {mark}", f"eccentricity_{tag}", True),
        Column(f"U, {mark}", f"expanded_{tag}", True),
        Column("Thin side, o'clock", "thin_deg", True),
        Column(f"Variation, {mark}", f"variation_{tag}", True),
        Column("State", "state"),
        *(column for method in METHODS for column in _offset_columns(method, mark, tag)),
    )
    return Table("Wall samples", columns, [_row(point, page, unit) for point in reversed(page.points)])


def on_the_page(table: Table) -> list[Table]:
    """Return the table in two, each as wide as a tablet: the cans, and the offsets that they are held against."""
    cans = list(range(CAN_COLUMNS))
    offsets = [0, HEIGHT_COLUMN, *range(CAN_COLUMNS, len(table.columns))]
    titles = {table.title: cans, "The tool pack's offset at the time, and the can's e as a share of it": offsets}
    return [
        Table(
            title, tuple(table.columns[at] for at in chosen), [tuple(row[at] for at in chosen) for row in table.rows]
        )
        for title, chosen in titles.items()
    ]


def _offset_columns(method: str, mark: str, tag: str) -> tuple[Column, ...]:
    return (
        Column(f"Offset, {method}, {mark}", f"{method}_offset_{tag}", True),
        Column("Toward, o'clock", f"{method}_toward_deg", True),
        Column("e as a share", f"{method}_share", True),
        Column("Measured on", f"{method}_signed_at"),
    )


def _row(point: WallPoint, page: WallPage, unit: Unit) -> tuple[Cell, ...]:
    local = point.taken_at.astimezone(page.zone)

    def length(um: float) -> Cell:
        return Cell(units.show_um(um, unit, fine=True), round(um / unit.um, 7))

    return (
        Cell(f"{local:%Y-%m-%d %H:%M}", local.isoformat(timespec="minutes"), url=wall_url(point.sample_id)),
        Cell(point.can, point.can),
        Cell(point.tools or "not known", point.tools),
        Cell(f"{point.height_mm:g}", point.height_mm),
        length(point.mean_um),
        length(point.size_um),
        length(point.expanded_um),
        NONE if point.thin_deg is None else _toward(point.thin_deg),
        length(point.judged_um),
        Cell(point.state, point.state, state=STATES[point.state]),
        *(cell for method in METHODS for cell in _offset_cells(point, page, unit, method)),
    )


def _toward(angle_deg: float) -> Cell:
    return Cell(clock_position(turn_deg(angle_deg, View.CRANK)), round(angle_deg, 1))


def _offset_cells(point: WallPoint, page: WallPage, unit: Unit, method: str) -> tuple[Cell, ...]:
    match = page.match(point, method)
    if match.offset is None:
        why = f"{match.upset.what} since" if match.upset else ""
        return NONE, NONE, NONE, Cell(why or "–", why or None)
    offset = match.offset
    signed = offset.at.astimezone(page.zone)
    share = point.size_um / offset.size_um if offset.size_um > offset.expanded_um else None
    return (
        Cell(units.show_um(offset.size_um, unit, fine=True), round(offset.size_um / unit.um, 7)),
        _toward(offset.direction_deg),
        NONE if share is None else Cell(f"{share:.2f}", round(share, 4)),
        Cell(words.date(signed.date()), signed.isoformat(timespec="minutes"), url=visit_url(offset.visit_id)),
    )
