"""Invented captures with a known path, their truth worked out apart from the code under test, and files of them."""

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl

from linelog.calc.capture.analyse import CaptureSetup
from linelog.calc.capture.motion import Crank, forward_angle_deg, ram_position_mm
from linelog.calc.capture.ring import Probe, Ring
from linelog.calc.capture.rows import Rows, Signals
from linelog.calc.capture.synthetic import Scenario, make_rows, true_path_um

CRANK = Crank(610.0, 900.0)
PULSE = Signals(pulse="pulse", temperature="oil")
QUIET = Scenario(speed_per_min=317.3, rate_hz=1000.0)  # a stroke is no whole number of samples, as in life


def ring(*angles: float, scale: float = 100.0, **more) -> Ring:
    return Ring(tuple(Probe(f"p{angle:g}", angle, scale) for angle in angles), **more)


RING = ring(0.0, 90.0, 180.0, 270.0)
SETUP = CaptureSetup(RING, PULSE, CRANK)


def rows_of(scenario: Scenario, of: Ring = RING, size: int = 200_000) -> list[Rows]:
    return list(make_rows(scenario, of, CRANK, size))


def with_probe(of: Ring, index: int, **changes) -> Ring:
    probes = list(of.probes)
    probes[index] = replace(probes[index], **changes)
    return replace(of, probes=tuple(probes))


def truth(scenario: Scenario, crank: Crank = CRANK) -> dict[str, np.ndarray]:
    """Mean place (x, y) of each phase and least-squares slope of the two that travel, on a fine grid."""
    windows = {
        "forward": (crank.forward_from_deg, crank.dome_from_deg),
        "back": (crank.return_to_deg, crank.dome_to_deg),
    }
    found = {}
    for name, ends in windows.items():
        position = np.linspace(*ram_position_mm(crank, ends), 2001)
        angle = forward_angle_deg(crank, position)
        path = true_path_um(scenario, crank, angle if name == "forward" else 360.0 - angle)
        found[name] = np.trapezoid(path, axis=1) / 2000.0
        found[f"{name} slope"] = np.polyfit(position, path.T, 1)[0]
    dome = true_path_um(scenario, crank, np.linspace(crank.dome_from_deg, crank.dome_to_deg, 2001))
    found["dome"] = np.trapezoid(dome, axis=1) / 2000.0
    return found


def frame_of(rows: Iterable[Rows], of: Ring = RING) -> pl.DataFrame:
    parts = []
    for each in rows:
        columns = {"time": each.time_s, **dict(zip(of.columns, each.probes, strict=True))}
        parts.append(pl.DataFrame({**columns, "pulse": each.pulse, "crank": each.phase, "oil": each.temperature}))
    return pl.concat(parts)


def csv_of(path: Path, scenario: Scenario, of: Ring = RING) -> Path:
    frame_of(rows_of(scenario, of), of).write_csv(path, float_precision=5)
    return path


def codes(result) -> set[str]:
    return {caution.code for caution in result.cautions}
