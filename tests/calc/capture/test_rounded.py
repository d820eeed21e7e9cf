"""Files are rounded, to 0.001 mm or 0.0001 in: a path that turns at its highest level is no probe at its rail."""

from dataclasses import replace

import numpy as np
import pytest

from linelog.calc.capture.analyse import CaptureSetup, analyse_rows
from tests.calc.capture.known import CRANK, PULSE, QUIET, codes, ring, rows_of, truth

IN_MM = ring(0.0, 90.0, 180.0, 270.0, scale=1000.0)
SMOOTH = replace(QUIET, strokes=60.0, rate_hz=700.0, noise_um=0.3, scatter_um=0.5)
NEARLY_STILL = replace(SMOOTH, place_um=(3.0, -2.0), slope=(0.01, -0.01), split_um=(1.0, 1.0), kick_um=(0.0, 4.0))


def told(scenario, step_um, high_um=np.inf):
    """The warnings of a capture in mm, cut off at `high_um` at probe p90 and rounded to a step."""
    rows = []
    for each in rows_of(scenario, IN_MM):
        probes = each.probes.copy()
        probes[1] = np.minimum(probes[1], high_um / 1000.0)
        rows.append(replace(each, probes=np.round(probes * 1000.0 / step_um) * step_um / 1000.0))
    return codes(analyse_rows(rows, CaptureSetup(IN_MM, PULSE, CRANK)))


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("step_um", [1.0, 2.54])
@pytest.mark.parametrize("scenario", [SMOOTH, NEARLY_STILL])
def test_a_rounded_path_that_turns_by_itself_is_not_clipped(scenario, step_um, seed):
    assert "clipped" not in told(replace(scenario, seed=seed), step_um)


@pytest.mark.parametrize("step_um", [1.0, 2.54])
def test_a_rounded_probe_at_its_rail_is_still_told(step_um):
    assert "clipped" in told(SMOOTH, step_um, high_um=15.0)


@pytest.mark.parametrize("noise_um", [0.2, 1.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_sound_strokes_of_a_rounded_file_are_not_set_aside(seed, noise_um):
    """Rounding bends their paths by up to a step, and no more than chance may be left out."""
    kicked = replace(SMOOTH, strokes=400.0, kick_um=(-12.0, 10.0), noise_um=noise_um, scatter_um=noise_um, seed=seed)
    rows = [replace(each, probes=np.round(each.probes, 3)) for each in rows_of(kicked, IN_MM)]
    assert len(analyse_rows(rows, CaptureSetup(IN_MM, PULSE, CRANK)).strokes.odd_strokes) <= 4


@pytest.mark.parametrize(("split_um", "kick_um"), [((-3.2, 6.0), (13.0, -13.0)), ((-4.0, -3.5), (-9.0, -5.6))])
def test_few_samples_a_stroke_do_not_shift_the_mean_path(split_um, kick_um):
    """A hundred and thirty samples a stroke, without scatter: within 0.02 um of the true mean over the travel."""
    bent = replace(SMOOTH, slope=(0.069, -0.044), split_um=split_um, kick_um=kick_um, noise_um=0.0, scatter_um=0.0)
    result, known = analyse_rows(rows_of(bent, IN_MM), CaptureSetup(IN_MM, PULSE, CRANK)), truth(bent)
    for name in ("forward", "dome", "back"):
        phase = getattr(result, name)
        assert np.hypot(*(np.array([phase.ram_x.value, phase.ram_y.value]) - known[name])) < 0.02
