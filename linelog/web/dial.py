"""A clock face on plain axes, as parts of a plotly figure: 12 on top, clockwise, rings with what they stand for.

The charting library's own polar axes write the rings' figures over one another and over the points; here they go
where the points leave room.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linelog.web import plotly
from linelog.web.plotly import Part, typed

AROUND = np.linspace(0.0, 360.0, 121)
HOURS_AT, EDGE = 1.12, 1.24  # of the radius: where the hours stand, and how far the drawing goes
HALF_WIDE, HALF_HIGH = 0.30, 0.09  # of the radius: half of what a ring's figure takes
#: Directions between two hours, off the level, so that the figures of two rings stand above one another.
FREE = (15.0, 345.0, 165.0, 195.0, 45.0, 315.0, 135.0, 225.0)
BESIDE = {
    "middle right": (1.0, 0.0),
    "middle left": (-1.0, 0.0),
    "top center": (0.0, 1.0),
    "bottom center": (0.0, -1.0),
}


def spots(degrees: ArrayLike, radii: ArrayLike) -> Part:
    """Return x and y of points by their angle, degrees clockwise from 12, and their distance from the middle."""
    x, y = _plane(degrees, radii)
    return {"x": typed(x), "y": typed(y)}


def circle(name: str, radius: float, color: str, *, width: float = 2, dash: str = "dash") -> Part:
    """Return a circle round the middle."""
    return plotly.lines(name, color, width=width, dash=dash) | spots(AROUND, np.full(len(AROUND), radius))


def ray(name: str, degrees: float, radius: float, *, dash: str = "solid") -> Part:
    """Return a heavy line from the middle outward."""
    return plotly.lines(name, "--ink", width=3, dash=dash) | spots([degrees, degrees], [0.0, radius])


def face(top: float, rings: Sequence[float]) -> list[Part]:
    """Return the face itself, to be drawn under all else: edge, rings, spokes and hours."""
    hours = np.arange(12) * 30.0
    spokes = plotly.joined(
        ((0.0, 0.0), (float(x), float(y))) for x, y in zip(*_plane(hours, np.full(12, top)), strict=True)
    )
    names = {
        "type": "scatter",
        "mode": "text",
        "name": "Hours",
        "text": ["12", *(str(hour) for hour in range(1, 12))],
        "textfont": {"color": "--ink", "size": 14},
        "hoverinfo": "skip",
    }
    return [
        plotly.lines("Hours", "--rule", width=1) | spokes,
        *(circle("Ring", ring, "--rule", width=1, dash="solid") for ring in (*rings, top)),
        names | spots(hours, np.full(12, HOURS_AT * top)),
    ]


def ring_notes(rings: Sequence[float], said: Sequence[str], top: float, taken: Part) -> list[Part]:
    """Write what rings stand for, all in one direction: that in which the points `taken` leave most room."""
    points = np.column_stack([plotly.untyped(taken["x"]), plotly.untyped(taken["y"])])
    toward = max(FREE, key=lambda degrees: _room(degrees, rings, top, points))
    x, y = _plane(np.full(len(rings), toward), rings)
    look: Part = {"xref": "x", "yref": "y", "xanchor": "center", "bgcolor": "--sheet", "font": {"size": 13}}
    return [plotly.note(word, float(at), float(up), **look) for word, at, up in zip(said, x, y, strict=True)]


def _room(degrees: float, rings: Sequence[float], top: float, points: NDArray[np.float64]) -> float:
    """Distance from the nearest point to a ring's figure, in halves of the figure, at most three."""
    x, y = _plane(np.full(len(rings), degrees), rings)
    across = np.abs(points[:, :1] - x) / (HALF_WIDE * top)
    upward = np.abs(points[:, 1:] - y) / (HALF_HIGH * top)
    return min(3.0, float(np.maximum(across, upward).min(initial=3.0)))


def beside(points: Part, top: float) -> str:
    """Return on which side of the last point a short word has most room."""
    x, y = plotly.untyped(points["x"]) / top, plotly.untyped(points["y"]) / top

    def room(side: str) -> float:
        across, up = BESIDE[side]
        return float(np.hypot(x[:-1] - x[-1] - 0.2 * across, y[:-1] - y[-1] - 0.12 * up).min(initial=9.0))

    return max(BESIDE, key=room)


def layout(top: float, height: int, notes: Sequence[Part]) -> Part:
    """Return the layout: both axes of one scale, none drawn."""
    axis = {"range": [-EDGE * top, EDGE * top], "visible": False, "constrain": "domain"}
    return {
        "height": height,
        "margin": {"l": 4, "r": 4, "t": 4, "b": 4},
        "xaxis": axis,
        "yaxis": axis | {"scaleanchor": "x"},
        "annotations": list(notes),
        "showlegend": False,
    }


def _plane(degrees: ArrayLike, radii: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    angle, size = np.deg2rad(np.asarray(degrees, dtype=np.float64)), np.asarray(radii, dtype=np.float64)
    return size * np.sin(angle), size * np.cos(angle)
