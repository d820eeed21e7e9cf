"""A can seen along its axis with its wall exaggerated, as plain numbers for an SVG."""

from __future__ import annotations

import math
from dataclasses import dataclass

from linelog.calc.readings import clock_position
from linelog.production.models import WallRing

OUTER, WALL, MOST = 78.0, 20.0, 17.0  # radius, width of the even wall, how far the inside may shift


@dataclass(frozen=True, slots=True)
class CanDrawing:
    """SVG coordinates, x right, y DOWN, viewBox -100 .. 100: the inside shifted toward the thin side."""

    outer: float
    inner: float
    x: float
    y: float
    thin: tuple[float, float] | None
    thin_text: tuple[float, float] | None
    label: str


def can_drawing(ring: WallRing) -> CanDrawing:
    """Lay out a wall: at the level to act the inside is shifted by half of what the drawing has room for."""
    scale = MOST / ring.act_um  # 2e = act shifts the inside by half of MOST
    shift = min(1.0, ring.size_um * scale / MOST) * MOST
    size = ring.size_um or 1.0
    x, y = -ring.x_um / size * shift, ring.y_um / size * shift  # the thick side points to (x, y), y is up there
    thin = None
    label = "No thin side."
    if ring.thin_deg is not None:
        turn = math.radians(ring.thin_deg)
        thin = (math.sin(turn), -math.cos(turn))
        label = f"Thin side at {clock_position(ring.thin_deg)} o'clock, seen from the crank."
    at = None if thin is None else (round(thin[0] * (OUTER + 4), 1), round(thin[1] * (OUTER + 4), 1))
    text = None if thin is None else (round(thin[0] * 40, 1), round(thin[1] * 40 + 4, 1))
    return CanDrawing(OUTER, OUTER - WALL, round(x, 2), round(y, 2), at, text, label)
