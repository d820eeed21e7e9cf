"""The sentence of a capture's warning, made from its code and figures in the reader's unit and the station's view."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from linelog.calc import frame
from linelog.calc.readings import View
from linelog.calc.units import Unit
from linelog.web import units


@dataclass(frozen=True, slots=True)
class Reader:
    """Who reads: the unit, and the end that directions are told from."""

    unit: Unit
    view: View

    def length(self, um: float) -> str:
        """Write a length with one more decimal than a dial has."""
        return units.show_um(um, self.unit, fine=True, with_unit=True)


Figures = Mapping[str, float]


def _split(f: Figures, subject: str, reader: Reader) -> str:
    at = units.show_mm(f["largest_at_mm"], reader.unit)
    return (
        f"Forward and return paths lie {reader.length(f['size_um'])} ± {reader.length(f['half_width_um'])} apart on "
        f"average, at most {reader.length(f['largest_um'])} at {at} of ram travel."
    )


def _kick(f: Figures, subject: str, reader: Reader) -> str:
    way = frame.direction_words(f["x_um"], f["y_um"], reader.view)
    return (
        f"At doming the ram jumps {reader.length(f['size_um'])} ± {reader.length(f['half_width_um'])} {way} "
        f"(crank at {f['angle_deg']:.0f}°)."
    )


def _spread(f: Figures, subject: str, reader: Reader) -> str:
    return (
        f"Stroke to stroke the ram scatters by {reader.length(f['sd_um'])} (one standard deviation, {subject} phase)."
    )


def _drift(f: Figures, subject: str, reader: Reader) -> str:
    way = frame.direction_words(f["x_um"], f["y_um"], reader.view)
    said = (
        f"The ram drifted {reader.length(f['change_um'])} ± {reader.length(f['half_width_um'])} {way} in "
        f"{f['minutes']:.1f} min ({subject} phase)."
    )
    if "um_per_degree" not in f:
        return said
    by = reader.length(f["um_per_degree"])  # in degrees of the file, which does not say whose they are
    return f"{said} Against temperature: {by} per degree, over {f['degrees']:.1f} degrees."


def _few(f: Figures, subject: str, reader: Reader) -> str:
    return (
        f"Only {f['used']:.0f} strokes could be used where {f['wanted']:.0f} are wanted: the offset is known to ± "
        f"{reader.length(f['half_width_um'])}."
    )


def _apart(f: Figures, subject: str, reader: Reader) -> str:
    return (
        f"The probes contradict one another by {reader.length(f['rms_um'])}: no one place of the ram fits them all."
    )


_MADE: dict[str, Callable[[Figures, str, Reader], str]] = {
    "split": _split,
    "kick": _kick,
    "spread": _spread,
    "drift": _drift,
    "few strokes": _few,
    "disagreement": _apart,
}


def warning_words(caution: Mapping[str, Any], reader: Reader) -> str:
    """Return the sentence; for a result older than its figures, and where no length is told, the stored one."""
    make = _MADE.get(caution["code"])
    if make is None or "subject" not in caution:
        return str(caution["sentence"])
    return make(caution["figures"], caution["subject"], reader)
