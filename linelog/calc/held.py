"""Which of two ways of aligning holds longer: how often a station is found out, by the strokes since it was left in.

    chance to be found out = 1 - exp(-strokes * exp(level of the machine + effect of the way))

Each machine is held against itself, since the two ways are seldom used on the same machines alike. Stations of one
machine go out together (a jam moves them all), so the interval is robust for clusters by machine, with t for as many
machines less one as have both ways. Regression: binomial with complementary log-log link, the grouped form
of proportional hazards (Prentice & Gloeckler, Biometrics 34 (1978) 57; from memory), by statsmodels.
"""

import math
from dataclasses import dataclass

import numpy as np
import scipy

from linelog.calc.arrays import BoolArray, FloatArray, IntArray
from linelog.calc.errors import CalcError

CLAIMED = 0.01
FEWEST_MACHINES, FEWEST_OUT = 6, 5  # with both ways; times found out by each way. Own choice.


@dataclass(frozen=True, slots=True)
class Held:
    """Times found out and million strokes of each way (first, second), and the second's rate over the first's.

    The interval is of 95 %, p two-sided; `shown` at 1 %, since with six machines the interval
    leaves the truth out on one side in up to 5 % (simulated; tests/bench/bench_helped.py).
    """

    out: tuple[int, int]
    strokes: tuple[float, float]
    machines: int
    ratio: float
    low: float
    high: float
    p: float

    @property
    def shown(self) -> bool:
        """Whether a difference is claimed."""
        return self.p <= CLAIMED


def compare_held(machine: IntArray, strokes: FloatArray, is_out: BoolArray, is_second: BoolArray) -> Held:
    """Compare n times that a station was left in and looked at again, arrays (n,); strokes in millions, above zero.

    Raises `CalcError` with field "machines" or "out" where there is too little of either.
    """
    from statsmodels.genmod import families
    from statsmodels.genmod.generalized_linear_model import GLM

    both = [one for one in np.unique(machine).tolist() if len(np.unique(is_second[machine == one])) == 2]
    kept = np.isin(machine, both) & (strokes > 0.0)
    out = tuple(int((is_out & kept & (is_second == way)).sum()) for way in (False, True))
    if len(both) < FEWEST_MACHINES:
        raise CalcError(f"{len(both)} machines have both ways, and {FEWEST_MACHINES} are needed.", field="machines")
    if min(out) < FEWEST_OUT:
        raise CalcError(f"Found out {min(out)} times by one way, and {FEWEST_OUT} are needed.", field="out")
    # A machine that never was out says nothing of the ratio, and has no level.
    told = [one for one in both if is_out[kept & (machine == one)].any()]
    rows = kept & np.isin(machine, told)
    members = (machine[rows][:, None] == np.array(told)[None, :]).astype(float)
    design = np.column_stack([members, is_second[rows].astype(float)])
    hazards = families.Binomial(link=families.links.CLogLog())
    fit = GLM(is_out[rows].astype(float), design, family=hazards, offset=np.log(strokes[rows])).fit(
        cov_type="cluster", cov_kwds={"groups": machine[rows]}
    )
    effect, se, dof = float(fit.params[-1]), float(fit.bse[-1]), len(told) - 1
    reach = float(scipy.stats.t.ppf(0.975, dof)) * se
    return Held(
        out=(out[0], out[1]),
        strokes=(float(strokes[kept & ~is_second].sum()), float(strokes[kept & is_second].sum())),
        machines=len(both),
        ratio=math.exp(effect),
        low=math.exp(effect - reach),
        high=math.exp(effect + reach),
        p=float(2.0 * scipy.stats.t.sf(abs(effect) / se, dof)),
    )
