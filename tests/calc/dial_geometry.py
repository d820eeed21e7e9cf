"""What a dial really reads: rays, circles and planes in space, with none of the formulas under test."""

import numpy as np


def distance_to_circle(origin, angle_deg, centre, radius):
    """From `origin` (inside) along a clock direction to a circle; plain vector algebra."""
    along = np.array([np.sin(np.radians(angle_deg)), np.cos(np.radians(angle_deg))])
    to_centre = np.asarray(centre) - np.asarray(origin)
    foot = to_centre @ along
    return foot + np.sqrt(radius**2 - (to_centre @ to_centre - foot**2))


def rim_reading(surface, origin, angle_deg, centre, radius):
    """In a bore the plunger points outward and a near wall presses it; on an outside it points inward to `origin`."""
    reach = distance_to_circle(origin, angle_deg, centre, radius)
    return -reach if surface == "bore" else reach


def rim_sweep(surface, carrier, offset, angles_deg, radius=30_000.0, droop=0.0):
    """Readings (um) for a component that stands at `offset` from the ram line; the bracket hangs by `droop`."""
    ram, component = np.zeros(2), np.asarray(offset, dtype=float)
    carried_at, touched = (ram, component) if carrier == "ram" else (component, ram)
    dial = carried_at + np.array([0.0, -droop])
    return np.array([rim_reading(surface, dial, angle, touched, radius) for angle in angles_deg])


def face_sweep(facing, normal, radius_mm, angles_deg):
    """Readings (um) of a dial carried round the z axis on a face through the origin with this normal."""
    angles = np.radians(angles_deg)
    x, y = radius_mm * np.sin(angles), radius_mm * np.cos(angles)
    z_mm = -(normal[0] * x + normal[1] * y) / normal[2]
    # Toward the domer (+z) a face further off lets the plunger out; toward the crank it is nearer and presses it in.
    return 1000.0 * (-z_mm if facing == "crank" else z_mm)
