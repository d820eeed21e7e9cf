"""Where names stand beside the points of a chart: near their own, on no other name and on no point."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linelog.web import plotly
from linelog.web.plotly import Part

WIDTHS = (590.0, 1050.0)  # of the plot on a tablet held upright and across: a name must stand free on both
LETTER_PX, LINE_PX, MARK_PX = 7.6, 17.0, 15.0
NEAR, FAR = (17.0, 26.0), (17.0, 26.0, 40.0, 58.0, 80.0, 106.0, 136.0)
ANGLES = np.deg2rad(np.arange(0.0, 360.0, 22.5))
LEADER_FROM = 24.0  # farther than this a thin line joins name and point

Box = NDArray[np.float64]  # middle across and up, and both halves, px


@dataclass(frozen=True, slots=True)
class Named:
    """A point with a name: `share` across the plot from 0 to 1, `up` px above its bottom, whether it must be told."""

    text: str
    share: float
    up: float
    matters: bool


def offsets(points: Sequence[Named], height: float) -> list[tuple[float, float] | None]:
    """Return for each point how far right and up its name's middle stands, px; None where there is no room.

    Points that matter are named first and may be named from afar; the others only close by.
    """
    taken = [[_box(width * one.share, one.up, MARK_PX, MARK_PX) for one in points] for width in WIDTHS]
    found: list[tuple[float, float] | None] = [None] * len(points)
    for number in sorted(range(len(points)), key=lambda index: (not points[index].matters, points[index].up)):
        one = points[number]
        wide = LETTER_PX * len(one.text)
        for right, up in _tried(wide, FAR if one.matters else NEAR):
            boxes = [_box(width * one.share + right, one.up + up, wide, LINE_PX) for width in WIDTHS]
            if all(_free(*each, height) for each in zip(boxes, taken, WIDTHS, strict=True)):
                found[number] = (right, up)
                for box, others in zip(boxes, taken, strict=True):
                    others.append(box)
                break
    return found


def notes(points: Sequence[Named], at: Sequence[tuple[float, float]], height: float) -> list[Part]:
    """Return the names as parts of a figure, for points at the places `at` of its axes."""
    made = []
    for one, (x, y), offset in zip(points, at, offsets(points, height), strict=True):
        if offset is None:
            continue
        leads = np.hypot(*offset) - LETTER_PX * len(one.text) / 2 * (abs(offset[0]) > 1.0) > LEADER_FROM
        arrow = {"showarrow": True, "ax": offset[0], "ay": -offset[1], "arrowhead": 0, "standoff": 7}
        look: Part = {"arrowwidth": 1, "arrowcolor": "--quiet" if leads else "rgba(0,0,0,0)", "font": {"size": 13}}
        look["bgcolor"] = "--sheet"
        made.append(plotly.note(plotly.text(one.text), x, y, xref="x", yref="y", **arrow, **look, xanchor="center"))
    return made


def _box(x: float, y: float, wide: float, high: float) -> Box:
    return np.array([x, y, wide / 2.0, high / 2.0])


def _tried(wide: float, distances: Sequence[float]) -> Iterator[tuple[float, float]]:
    for distance in distances:
        for angle in ANGLES:
            across = float(np.cos(angle))
            side = 0.0 if abs(across) < 1e-9 else np.sign(across) * wide / 2.0 * min(1.0, 2.0 * abs(across))
            yield distance * across * 0.8 + float(side), distance * float(np.sin(angle))


def _free(box: Box, others: Sequence[Box], width: float, height: float) -> bool:
    x, y, half, up = box
    if not (half <= x <= width - half and up <= y <= height - up):
        return False
    apart = np.abs(np.array(others)[:, :2] - box[:2]) >= np.array(others)[:, 2:] + box[2:]
    return bool(apart.any(axis=1).all())
