"""The fields of the clock face: one for each position, with what was typed there."""

from __future__ import annotations

from dataclasses import dataclass

from linelog.alignment import clock
from linelog.alignment.models import Reading, Sweep
from linelog.alignment.signing.names import person_as_signed
from linelog.alignment.words import shown
from linelog.calc.units import Unit


@dataclass(frozen=True, slots=True)
class Position:
    """One field of the clock face."""

    angle_deg: float
    label: str
    css: str
    slot: str
    repeat: int
    is_return: bool
    value: str
    version: int
    by: str
    typed_as: str
    last: str = ""

    @property
    def sent(self) -> str:
        """The angle as the form sends it."""
        return f"{self.angle_deg:g}"


def readings_of_sweep(sweep: Sweep) -> list[Reading]:
    """Return the readings of a sweep; none of one that is not stored yet."""
    return list(sweep.readings.all()) if sweep.pk else []


def position_of_clock(sweep: Sweep, unit: Unit, repeat: int, angle: float, is_return: bool) -> Position:
    """Return one field, in `unit`: the one at this angle, or the first position read again."""
    rows = readings_of_sweep(sweep)
    row = next((r for r in rows if (r.repeat, r.angle_deg, r.is_return) == (repeat, angle, is_return)), None)
    return Position(
        angle_deg=angle,
        label=f"{clock.words([angle])} again" if is_return else clock.words([angle]),
        css="again" if is_return else f"at{round(angle)}",
        slot=f"slot-{repeat}-{round(angle)}-{int(is_return)}",
        repeat=repeat,
        is_return=is_return,
        value=shown(row, unit),
        version=row.version if row else 0,
        by=person_as_signed(sweep.visit, row.by) if row else "",
        typed_as=row.as_typed if row and row.unit != unit.value else "",
    )
