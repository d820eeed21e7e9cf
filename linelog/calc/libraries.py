"""Large libraries, loaded where something first asks them: a start must not wait for what no first page needs.

`import scipy` is enough for all of scipy, which loads its parts itself when one is named (`scipy.stats.t`; SciPy
reference, "API definition"). statsmodels and openpyxl are imported in the function that uses them. The linter refuses
either at the head of a module (pyproject.toml: banned-module-level-imports).
"""

from importlib import import_module

LATER = (
    "scipy.interpolate",
    "scipy.linalg",
    "scipy.ndimage",
    "scipy.optimize",
    "scipy.signal",
    "scipy.sparse",
    "scipy.special",
    "scipy.stats",
    "statsmodels.api",
    "statsmodels.discrete.discrete_model",
    "statsmodels.genmod.families",
    "statsmodels.genmod.generalized_linear_model",
    "statsmodels.regression.linear_model",
    "statsmodels.stats.meta_analysis",
    "statsmodels.stats.multitest",
    "statsmodels.stats.proportion",
    "statsmodels.stats.rates",
    "statsmodels.tools.sm_exceptions",
    "statsmodels.tsa.stattools",
    "openpyxl",
)


def load() -> None:
    """Load all of them, where there is time for it, so that nobody waits for one later."""
    for name in LATER:
        import_module(name)
