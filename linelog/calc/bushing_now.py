"""Whether bushings are worn out by now, of those that were measured in: each by its own pace and that of all.

For choosing where to look; the day that is told of a bushing comes of its own measurements alone (`calc.wear`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from linelog.calc.arrays import FloatArray

NEW = 0.3  # clearance of a new bushing over its wear limit: common practice, no source
#: Days that the pace of all bushings counts for beside a bushing's own, the error of a measurement over the limit,
#: and the share of what it has worn since that is unsure. Own choice.
ALIKE_DAYS, ERROR, UNSURE = 120.0, 0.1, 0.5


@dataclass(frozen=True, slots=True)
class BushingsNow:
    """Of n bushings: clearance expected over wear limit, chance to be found worn out, limits saved, each (n,)."""

    severity: FloatArray
    opens: FloatArray
    saves: FloatArray


def bushings_now(measured: Sequence[Sequence[tuple[float, float]]], today: float) -> BushingsNow:
    """Return how bushings stand today.

    measured  of each, since it was fitted, in the order of time: day, and clearance over wear limit. One that was not
              measured is expected to be as new.
    """
    first, last = (np.array([one[at] if one else (today, NEW) for one in measured]).reshape(-1, 2) for at in (0, -1))
    days, gain = last[:, 0] - first[:, 0], last[:, 1] - first[:, 1]
    usual = max(float(gain.sum()) / max(float(days.sum()), 1.0), 0.0)
    pace = np.maximum((gain + usual * ALIKE_DAYS) / (days + ALIKE_DAYS), 0.0)
    grown = pace * np.maximum(today - last[:, 0], 0.0)
    severity = last[:, 1] + grown
    opens = scipy.special.ndtr((severity - 1.0) / np.hypot(ERROR, UNSURE * grown))
    return BushingsNow(severity, np.asarray(opens), np.asarray(opens * (np.maximum(severity, 1.0) - NEW)))
