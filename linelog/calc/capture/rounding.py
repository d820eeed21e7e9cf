"""What rounding of the file can hide in a mean: an error of its own, which no number of strokes lessens.

A reading rounded to a step q is off by a saw tooth of its true value. Averaged over readings that spread by much more
than q it vanishes; over readings that hardly move it stays, anywhere within q/2 (JCGM 100:2008, 4.3.7 and F.2.2.1).
Between these the k-th harmonic of the saw tooth, of amplitude q/(pi k), is damped by the characteristic function of
what was averaged, at 2 pi k/q (B. Widrow, 'Statistical analysis of amplitude-quantized sampled-data systems', AIEE
Trans. Appl. Ind. 79, 1960; from memory). Here that is the path through the bins, the scatter within each bin, less
the step^2/12 that rounding itself adds (Sheppard), and the drift of the strokes: it is spread evenly and not by
chance, so that it damps only as sin(pi k d)/(pi k d), d steps long, of which the envelope is taken.
"""

from dataclasses import dataclass

import numpy as np

from linelog.calc.capture.cells import Cells, Flags, Rails
from linelog.calc.capture.ring import Ring, design_matrix
from linelog.calc.require import Floats

Places = np.ndarray[tuple[int], np.dtype[np.intp]]
_HARMONICS = np.arange(1, 9)
_CUBIC = 3


@dataclass(frozen=True, slots=True)
class Rounding:
    """Step of each probe (k) in um, its mean readings, their scatter and their drift in steps, in each bin (k, B).

    The drift is that over all strokes. `solver` (2, k) turns movements in um toward the probes into the place of the
    ram.
    """

    step_um: Floats
    level: Floats
    scatter: Floats
    drift: Floats
    solver: Floats

    def bound(self, bins: Places, weights: Floats) -> tuple[float, float]:
        """How far (x, y) in um the sum of `weights` (B') times the places in `bins` may be off, at most."""
        each = [self._of(probe, bins, weights) for probe in range(self.step_um.size)]
        x, y = np.abs(self.solver) @ (self.step_um * np.array(each))
        return float(x), float(y)

    def _of(self, probe: int, bins: Places, weights: Floats) -> float:
        """Return the same of one probe, in steps."""
        level, scatter = self.level[probe, bins], self.scatter[probe, bins]
        known = np.isfinite(level) & np.isfinite(scatter)
        most = 0.5 * float(np.abs(weights).sum())
        if self.step_um[probe] == 0.0 or known.sum() < 2:
            return most if self.step_um[probe] else 0.0
        place = np.linspace(-1.0, 1.0, level.size)
        degree = min(_CUBIC, int(known.sum()) - 1)
        # The readings are staircases; what was rounded ran smoothly through them.
        smooth = np.polynomial.Polynomial.fit(place[known], level[known], degree)(place)
        spread = np.where(known, scatter, np.nanmean(scatter[known]))
        turns = 2j * np.pi * np.outer(_HARMONICS, smooth) - 2.0 * (np.pi * np.outer(_HARMONICS, spread)) ** 2
        passed = np.pi * np.outer(_HARMONICS, np.where(known, np.abs(self.drift[probe, bins]), 0.0))
        waves = np.abs((np.exp(turns) / np.maximum(passed, 1.0)) @ weights) / (np.pi * _HARMONICS)
        return min(most, float(waves.sum()))


def jump_um(ring: Ring, rails: Rails) -> float:
    """How far a place can jump along an axis because every reading is rounded to its step."""
    return float((np.abs(_solver(ring)) @ _step_um(ring, rails)).max())


def _solver(ring: Ring) -> Floats:
    return np.asarray(np.linalg.pinv(design_matrix(ring))[:2])


def _step_um(ring: Ring, rails: Rails) -> Floats:
    scale = np.array([abs(probe.scale_um_per_unit) * ring.target_factor for probe in ring.probes])
    return np.asarray(scale * np.where(np.isfinite(rails.step), rails.step, 0.0))


def rounding_of(ring: Ring, cells: Cells, used: Flags, rails: Rails) -> Rounding:
    """Return it for the strokes `used` (S) of a capture."""
    steps = np.where(np.isfinite(rails.step), rails.step, 1.0)[:, None]
    missing = np.isnan(cells.mean[used])
    count = np.maximum((~missing).sum(axis=0), 1)
    filled = np.where(missing, 0.0, cells.mean[used])
    level = filled.sum(axis=0) / count
    away = np.where(missing, 0.0, filled - level)
    turn = np.linspace(-0.5, 0.5, away.shape[0])
    drift = np.tensordot(turn, away, axes=(0, 0)) / float(turn @ turn)  # over all the strokes
    between = ((away - drift * turn[:, None, None]) ** 2).sum(axis=0, where=~missing)
    variance = rails.scatter() + between / count
    scatter = np.sqrt(np.maximum(variance / steps**2 - 1.0 / 12.0, 0.0))
    level = np.where(missing.all(axis=0), np.nan, level / steps)
    return Rounding(_step_um(ring, rails), level, scatter, drift / steps, _solver(ring))
