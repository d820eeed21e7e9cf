"""What a new machine of a kind starts with, so that it takes one form. Every value is then the plant's to change.

Positions, limits and adjusters are common practice without a source: a start to edit, not a rule.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from linelog.plant.models import Adjuster, Machine, Station

SHIM_STOCK_UM = (10.0, 20.0, 30.0, 50.0, 100.0, 200.0, 500.0)
UP, RIGHT = 0.0, 90.0


@dataclass(frozen=True, slots=True)
class AdjusterTemplate:
    """An adjuster of a template station."""

    name: str
    kind: str
    z_mm: float
    direction_deg: float = UP
    more: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class StationTemplate:
    """A station of a template machine."""

    kind: str
    name: str
    z_mm: float
    limit_um: float
    more: dict[str, Any] = field(default_factory=dict)
    adjusters: tuple[AdjusterTemplate, ...] = ()


def _shim(name: str, z_mm: float, direction: float = UP) -> AdjusterTemplate:
    return AdjusterTemplate(name, Adjuster.Kind.SHIM, z_mm, direction, {"min_um": -1000.0, "max_um": 1000.0})


def _screw(name: str, z_mm: float, direction: float, pitch_mm: float = 1.0) -> AdjusterTemplate:
    more = {"pitch_mm": pitch_mm, "resolution_um": 5.0, "min_um": -1500.0, "max_um": 1500.0}
    return AdjusterTemplate(name, Adjuster.Kind.SCREW, z_mm, direction, more)


def _slides(z_mm: float) -> tuple[AdjusterTemplate, ...]:
    more = {"resolution_um": 10.0, "min_um": -1500.0, "max_um": 1500.0}
    return (
        AdjusterTemplate("Upright slide", Adjuster.Kind.SLIDE, z_mm, UP, more),
        AdjusterTemplate("Cross slide", Adjuster.Kind.SLIDE, z_mm, RIGHT, more),
    )


def _tilt_shim(name: str, x_mm: float, y_mm: float, z_mm: float) -> AdjusterTemplate:
    more = {"along_z": True, "at_x_mm": x_mm, "at_y_mm": y_mm, "min_um": -500.0, "max_um": 500.0}
    return AdjusterTemplate(name, Adjuster.Kind.SHIM, z_mm, UP, more)


K = Station.Kind

BODYMAKER = (
    StationTemplate(
        K.REAR_BUSHING,
        "Rear bushing",
        -500.0,
        13.0,
        {"hours_to_open": 4.0},
        (_shim("Carrier shim, below", -500.0), _shim("Carrier shim, left side", -500.0, RIGHT)),
    ),
    StationTemplate(
        K.FRONT_BUSHING,
        "Front bushing",
        -20.0,
        13.0,
        {"hours_to_open": 4.0},
        (_shim("Carrier shim, below", -20.0), _shim("Carrier shim, left side", -20.0, RIGHT)),
    ),
    StationTemplate(
        K.REDRAW_SLEEVE,
        "Redraw sleeve",
        70.0,
        38.0,
        {"tilt_limit_mm_per_m": 0.12, "face_radius_mm": 40.0, "hours_to_open": 1.5},
        _slides(70.0),
    ),
    StationTemplate(K.CUP_LOCATOR, "Cup locator", 95.0, 100.0, {"hours_to_open": 0.5}, _slides(95.0)),
    StationTemplate(
        K.TOOL_PACK,
        "Tool pack",
        320.0,
        20.0,
        {"rear_z_mm": 140.0, "tilt_limit_mm_per_m": 0.12, "hours_to_open": 1.5},
        (
            _shim("Rear foot", 150.0),
            _shim("Front foot", 310.0),
            _screw("Rear side screw", 150.0, RIGHT),
            _screw("Front side screw", 310.0, RIGHT),
        ),
    ),
    StationTemplate(K.STRIPPER, "Stripper", 365.0, 100.0, {"hours_to_open": 0.5}, _slides(365.0)),
    StationTemplate(
        K.DOMER,
        "Domer",
        650.0,
        38.0,
        {"tilt_limit_mm_per_m": 0.12, "face_radius_mm": 60.0, "hours_to_open": 1.0},
        (
            _screw("Lift screw", 650.0, UP, 1.5),
            _screw("Side screw", 650.0, RIGHT, 1.5),
            _tilt_shim("Tilt shim at 12", 0.0, 70.0, 690.0),
            _tilt_shim("Tilt shim at 4", 60.62, -35.0, 690.0),
            _tilt_shim("Tilt shim at 8", -60.62, -35.0, 690.0),
        ),
    ),
)

BODYMAKER_GEOMETRY: dict[str, Any] = {
    "stroke_mm": 610.0,
    "rod_length_mm": 900.0,
    "speed_spm": 320.0,
    "ram_outside_mm": 60.0,
    "ram_bore_mm": 30.0,
    "bushing_span_mm": 480.0,
    "overhang_mm": 700.0,
    "rear_overhang_mm": 100.0,
    "punch_mass_kg": 4.0,
    "punch_length_mm": 150.0,
    "bushing_clearance_um": 40.0,
}

OTHER = (
    StationTemplate(K.OTHER, "Upper tool", 100.0, 50.0, {}, _slides(100.0)),
    StationTemplate(K.OTHER, "Lower tool", 0.0, 50.0, {}, _slides(0.0)),
)

TEMPLATES: dict[str, tuple[StationTemplate, ...]] = {
    Machine.Kind.BODYMAKER: BODYMAKER,
    Machine.Kind.CUPPER: OTHER,
    Machine.Kind.TRIMMER: OTHER,
    Machine.Kind.NECKER: OTHER,
    Machine.Kind.OTHER: (),
}
