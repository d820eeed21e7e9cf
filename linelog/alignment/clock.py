"""The positions of a sweep round the clock, in words and degrees."""

from __future__ import annotations

from collections.abc import Sequence

from linelog.calc.readings import clock_position

POSITION_COUNTS = (4, 6, 8, 12)


def angles(positions: int) -> tuple[float, ...]:
    """Return the clock angles of so many equal positions, from 12 clockwise."""
    return tuple(360.0 * number / positions for number in range(positions))


def words(angles_deg: Sequence[float]) -> str:
    """Say clock angles as a list: '3 and 9 o'clock'."""
    names = [clock_position(angle) for angle in angles_deg]
    if not names:
        return ""
    listed = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
    return f"{listed} o'clock"


def nearest(angle_deg: float, positions: int) -> float | None:
    """Return the position that an angle stands for, or None where the sweep has none there."""
    for angle in angles(positions):
        if abs((angle_deg - angle + 180.0) % 360.0 - 180.0) < 0.5:
            return angle
    return None
