"""The ring of probes round the ram, and the ram's place in it by least squares.

A probe at clock angle t reads u = x*sin t + y*cos t + common gap: u grows as the ram comes nearer to that probe, and
growth of the diameter raises every u alike. x is to the right (3 o'clock), y up (12 o'clock), seen from the crank.
Four probes at right angles give x = (u3 - u9)/2 and y = (u12 - u6)/2, which the least squares reproduces.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linelog.calc import require
from linelog.calc.errors import CalcError
from linelog.calc.require import Floats

#: A ring may make noise this many times larger than one probe has it; common practice, no source.
WORST_GAIN = 5.0
_MOST_PROBES = 16


@dataclass(frozen=True, slots=True)
class Probe:
    """One probe of the ring.

    `column` is its name in the file and `angle_deg` its clock angle (0 = 12, 90 = 3). `scale_um_per_unit` is the
    movement TOWARD the probe for one unit of the file, so it is negative for a sensor whose reading grows with the
    gap; `zero_um` is added after the scale. `low` and `high`, in units of the file, are the ends of its range;
    left out, they are found from the file. `zero_u_um` is the standard uncertainty of its zero (JCGM 100).
    """

    column: str
    angle_deg: float
    scale_um_per_unit: float
    zero_um: float = 0.0
    low: float | None = None
    high: float | None = None
    zero_u_um: float = 0.0


@dataclass(frozen=True, slots=True)
class Ring:
    """Two or more probes, and what they look at.

    `target_factor` multiplies every scale: 1 where the probes were calibrated on this target's metal. `common_gap`
    says whether growth of the diameter is solved for; left out, it is with three probes or more. `from_domer` says
    that the clock angles were read from the domer end: 3 and 9 are then swapped.
    """

    probes: tuple[Probe, ...]
    target: str = ""
    target_factor: float = 1.0
    common_gap: bool | None = None
    from_domer: bool = False

    @property
    def solves_gap(self) -> bool:
        """Whether the common gap is one of the unknowns."""
        return len(self.probes) >= 3 if self.common_gap is None else self.common_gap

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the probes' columns, in the order of the probes."""
        return tuple(probe.column for probe in self.probes)


@dataclass(frozen=True, slots=True)
class Place:
    """Where the ram was: arrays of one shape, in um; NaN where the usable probes could not tell."""

    x_um: Floats
    y_um: Floats


def check_ring(ring: Ring) -> None:
    """Raise `CalcError` unless every number of the set-up is usable and the ring gives both axes."""
    if not 2 <= len(ring.probes) <= _MOST_PROBES:
        raise CalcError(f"A ring has 2 to {_MOST_PROBES} probes; both axes need two at least.", field="probes")
    if len(set(ring.columns)) < len(ring.probes):
        raise CalcError("Two probes have the same column: each needs its own.", field="probes")
    require.above(ring.target_factor, "The target's factor", "target_factor", 0.0, 100.0)
    for probe in ring.probes:
        _check_probe(probe)
    design = design_matrix(ring)
    if noise_gain(design[:, :2]) > WORST_GAIN:
        raise CalcError(
            f"The probes at {_angles(ring)} stand on one line and cannot give both axes: set one to the side, "
            "best at a right angle.",
            field="probes",
        )
    if noise_gain(design) > WORST_GAIN:
        raise CalcError(
            f"The probes at {_angles(ring)} cannot tell movement from growth of the diameter: spread them round the "
            "ring, or switch the common gap off.",
            field="common_gap",
        )


def _check_probe(probe: Probe) -> None:
    name = f"of probe {probe.column}"
    if not probe.column.strip():
        raise CalcError("Every probe needs the name of its column in the file.", field="probes")
    require.number(probe.angle_deg, f"The clock angle {name}", "angle_deg", -360.0, 360.0)
    require.number(probe.scale_um_per_unit, f"The scale {name}", "scale_um_per_unit", -1e6, 1e6)
    if abs(probe.scale_um_per_unit) < 1e-6:
        raise CalcError(f"The scale {name} must not be zero.", field="scale_um_per_unit")
    require.number(probe.zero_um, f"The offset {name}", "zero_um", -1e6, 1e6)
    require.number(probe.zero_u_um, f"The uncertainty of the zero {name}", "zero_u_um", 0.0, 1e4)
    ends = [end for end in (probe.low, probe.high) if end is not None]
    require.numbers(ends, f"The range {name}", "low", -1e9, 1e9)
    if len(ends) == 2 and ends[0] >= ends[1]:
        raise CalcError(f"The low end of the range {name} must be below its high end.", field="low")


def design_matrix(ring: Ring) -> Floats:
    """Rows of (sin t, cos t) or (sin t, cos t, 1), one a probe."""
    angles = np.radians([probe.angle_deg for probe in ring.probes])
    side = -1.0 if ring.from_domer else 1.0
    columns = [side * np.sin(angles), np.cos(angles)]
    return np.column_stack([*columns, np.ones(angles.size)] if ring.solves_gap else columns)


def noise_gain(design: Floats) -> float:
    """How many times one probe's noise comes out along the worst direction of (x, y); infinite where not solvable."""
    if np.linalg.matrix_rank(design, tol=1e-6) < design.shape[1]:
        return math.inf
    spread = np.linalg.inv(design.T @ design)[:2, :2]
    return float(np.sqrt(np.linalg.eigvalsh(spread)[-1]))


def movements(ring: Ring, raw: Floats) -> Floats:
    """Movement toward each probe in um, from file units; the probes are the last axis."""
    scale = np.array([probe.scale_um_per_unit * ring.target_factor for probe in ring.probes])
    return np.asarray(raw * scale + np.array([probe.zero_um for probe in ring.probes]))


def place(ring: Ring, raw: Floats, usable: NDArray[np.bool_]) -> Place:
    """Least-squares place of the ram from readings (..., k) in file units, using only the `usable` ones (..., k).

    Where probes are left out the rest are solved if they still give both axes (and the gap) well enough.
    """
    design = design_matrix(ring)
    moved = movements(ring, raw).reshape(-1, len(ring.probes))
    pattern = usable.reshape(-1, len(ring.probes)) @ (1 << np.arange(len(ring.probes)))
    x, y = np.full(pattern.size, np.nan), np.full(pattern.size, np.nan)
    for code in np.unique(pattern):
        kept = (code >> np.arange(len(ring.probes))) & 1 == 1
        if noise_gain(design[kept]) > WORST_GAIN:
            continue
        cells = pattern == code
        x[cells], y[cells] = np.linalg.pinv(design[kept])[:2] @ moved[np.ix_(cells, kept)].T
    return Place(x.reshape(usable.shape[:-1]), y.reshape(usable.shape[:-1]))


def disagreement(ring: Ring, raw: Floats) -> float | None:
    """Root mean square, in um, of what least squares cannot explain in readings (n, k); None without a spare probe.

    With the mean path of a good ring it is a few um at most: a wrong scale, zero or clock angle raises it.
    """
    design = design_matrix(ring)
    spare = design.shape[0] - design.shape[1]
    if spare < 1 or not len(raw):
        return None
    moved = movements(ring, raw).T
    left = moved - design @ (np.linalg.pinv(design) @ moved)
    return float(np.sqrt((left**2).sum(axis=0).mean() / spare))


def zero_covariance(ring: Ring) -> Floats:
    """2 x 2 covariance of (x, y) in um^2 from the uncertainties of the probes' zeros, as independent."""
    solver = np.linalg.pinv(design_matrix(ring))[:2]
    return np.asarray((solver * np.array([probe.zero_u_um**2 for probe in ring.probes])) @ solver.T)


def _angles(ring: Ring) -> str:
    return ", ".join(f"{probe.angle_deg:g}°" for probe in ring.probes)
