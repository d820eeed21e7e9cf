"""The effect of each kind of station on a rate, where some kinds tell of the others: for choosing, not for telling.

An effect is shown or not by its own figures; who must choose now reckons with the likeliest value of each. Effects of
a plant's kinds are alike to some degree, and a plant's to what is assumed beforehand: two normal levels.
Source: Gelman et al., Bayesian Data Analysis, 3rd ed., sections 5.4 and 5.5 (known variances). Spreads: own choice.
"""

from __future__ import annotations

import numpy as np

from linelog.calc.arrays import FloatArray, numbers, same_length
from linelog.calc.errors import CalcError

#: Standard deviation, of logarithms, of a plant's mean about what is assumed, and of its kinds about that mean.
PLANT_SPREAD, KIND_SPREAD = 0.2, 0.2
#: On plants of known truth 0.34 to 0.48 where all or two stations count, 0.59 to 0.67 where the worst alone does.
WORST_SHARE = 0.53


def likeliest_effects(logs: FloatArray, ses: FloatArray, assumed: float) -> tuple[FloatArray, float]:
    """Return the expected logarithm of each kind's ratio for one limit, shape (k,), and that of a kind unknown.

    logs, ses  as found (k,), standard errors above zero; assumed: logarithm that is expected beforehand.
    None falls below zero: nobody leaves a station out of line because it seemed to do good.
    """
    found = numbers(logs, "Effects", "logs", least=0)
    doubt = numbers(ses, "Standard errors", "ses", least=0)
    same_length([found, doubt], "ses")
    if (doubt <= 0.0).any():
        raise CalcError("A standard error must be above zero.", field="ses")
    weight = 1.0 / (doubt**2 + KIND_SPREAD**2)
    sure = 1.0 / PLANT_SPREAD**2
    mean = float((weight @ found + sure * assumed) / (weight.sum() + sure))
    own, like = 1.0 / doubt**2, 1.0 / KIND_SPREAD**2
    each = (own * found + like * mean) / (own + like)
    return np.asarray(np.maximum(each, 0.0)), max(mean, 0.0)


def worst_alone(worst: float, logs: FloatArray) -> bool:
    """Whether a rate follows the worst station alone: nothing is then gained by opening what is not the worst.

    worst  logarithm of the ratio for one limit of the worst station; logs (k,): those of each kind beside the others.
    Where every station counts for itself the worst one tells less than half of what all together do.
    """
    together = float(np.maximum(logs, 0.0).sum())
    return worst >= WORST_SHARE * together
