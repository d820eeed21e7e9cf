"""Turning between the frame of the machine and the view of a person, and the words of a direction with its view.

Everything is stored seen from the crank: x to the right (3 o'clock), y up (12 o'clock), clock angles clockwise from
12. Seen from the domer 3 and 9 change places, 12 and 6 stay. The turn is its own inverse: the same call leads from
the frame to the view and back. An offset, a push and a tilt (ax, ay; forward stays forward) turn alike.
"""

from collections.abc import Sequence

from linelog.calc.readings import View, clock_deg, clock_position

_SEEN = {View.CRANK: "seen from the crank", View.DOMER: "seen from the domer"}


def across(view: View) -> float:
    """Sign that x takes in a view: 1 from the crank, -1 from the domer."""
    return -1.0 if view is View.DOMER else 1.0


def turn(x: float, y: float, view: View) -> tuple[float, float]:
    """Turn (x right, y up) from the frame into the view, or back; any unit, also a tilt in mm/m."""
    return across(view) * x + 0.0, y  # + 0.0 makes -0.0 plain zero


def turn_deg(angle_deg: float, view: View) -> float:
    """Turn a clock angle from the frame into the view, or back; degrees from 12 clockwise, 0 <= result < 360."""
    return (across(view) * angle_deg) % 360.0


def view_words(view: View) -> str:
    """Name a view within a sentence: 'seen from the domer'."""
    return _SEEN[view]


def clock_words(angles_deg: float | Sequence[float], view: View) -> str:
    """Word clock angles of the frame as a person at `view` sees them: "3 o'clock, seen from the domer".

    More than one is said as a list: "3 or 9 o'clock, seen from the crank".
    """
    angles = (angles_deg,) if isinstance(angles_deg, int | float) else angles_deg
    names = [clock_position(turn_deg(angle, view)) for angle in angles]
    listed = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"
    return f"{listed} o'clock, {view_words(view)}"


def direction_words(x: float, y: float, view: View) -> str:
    """Word the direction of (x, y), given in the frame: "toward 3 o'clock, seen from the domer".

    Nought has no direction and raises `ValueError`: whoever words it says so in a sentence of its own.
    """
    if x == 0.0 and y == 0.0:
        raise ValueError("an offset of nought has no direction")
    return f"toward {clock_words(clock_deg(x, y), view)}"
