"""From when on a capture is warned about: a plant's to change; the defaults are common practice, no source."""

from dataclasses import dataclass, fields

from linelog.calc import require


@dataclass(frozen=True, slots=True)
class CaptureLimits:
    """Limits of the warnings, and the half width of the offset's interval that is wanted."""

    drift_um: float = 5.0
    split_um: float = 15.0
    kick_um: float = 25.0
    spread_um: float = 10.0
    fewest_strokes: float = 30.0
    clipped_percent: float = 0.1
    dropped_percent: float = 0.1
    speed_sd_percent: float = 1.0
    speed_range_percent: float = 3.0
    off_speed_percent: float = 15.0
    odd_percent: float = 5.0
    disagreement_um: float = 5.0
    wanted_half_width_um: float = 1.0
    least_movement_um: float = 2.0
    most_movement_um: float = 3000.0


def check_limits(limits: CaptureLimits) -> None:
    """Raise `CalcError` for a limit that is not above zero."""
    for each in fields(limits):
        what = "The limit " + each.name.rsplit("_", 1)[0].replace("_", " ")
        require.above(getattr(limits, each.name), what, each.name, 0.0, 1e6)
