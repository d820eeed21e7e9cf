import numpy as np
import pytest
from scipy import optimize, stats
from scipy.special import gammaln

from linelog.calc.errors import CalcError
from linelog.calc.regression import Avoided, Family, avoided, fit_counts

# Doll & Hill's British doctors: deaths from coronary disease by age (35-44 ... 75-84), smokers first
DEATHS = [32, 104, 206, 186, 102, 2, 12, 28, 28, 31]
PERSON_YEARS = [52407, 43248, 28612, 12663, 5317, 18790, 10673, 5710, 2585, 1462]
DOCTORS = {
    "smokes": [1, 1, 1, 1, 1, 0, 0, 0, 0, 0],
    "age2": [0, 1, 0, 0, 0] * 2,
    "age3": [0, 0, 1, 0, 0] * 2,
    "age4": [0, 0, 0, 1, 0] * 2,
    "age5": [0, 0, 0, 0, 1] * 2,
}


def test_british_doctors():
    """Doll & Hill, as in the Stata manual, [R] poisson (dollhill3), and Dobson, Generalized Linear Models, chapter 9.

    Coefficients, standard errors and log likelihood as Stata gives them (recorded in statsmodels' tests); rate ratio
    of smokers 1.4255, deviance 12.13, Pearson 11.16 (the last from memory).
    """
    fit = fit_counts(DEATHS, PERSON_YEARS, DOCTORS, family=Family.POISSON)
    found = [*fit.effects, *fit.levels]
    coefficients = [0.35453564, 1.48400701, 2.62750512, 3.35049279, 3.70009645, -7.91932571]
    errors = [0.10737412, 0.19510337, 0.18372727, 0.18479918, 0.19221951, 0.19176182]
    assert [one.coefficient for one in found] == pytest.approx(coefficients, abs=2e-8)
    assert [one.se for one in found] == pytest.approx(errors, abs=2e-8)
    assert fit.quality.log_likelihood == pytest.approx(-33.60015344, abs=1e-7)
    assert fit.quality.deviance == pytest.approx(12.1323664, abs=1e-7)
    assert fit.quality.pearson == pytest.approx(11.15533, abs=1e-4)
    assert fit.effect("smokes").ratio == pytest.approx(1.425519, abs=1e-6)
    assert (fit.rows, fit.counts, fit.cans, fit.quality.dof) == (10, 731, 181467, 4)


# Ship damage (McCullagh & Nelder): accidents, year of construction, operated 1975-79, months of service
SHIPS = np.array([
    [0, 1, 0, 127], [0, 1, 1, 63], [3, 2, 0, 1095], [4, 2, 1, 1095], [6, 3, 0, 1512], [18, 3, 1, 3353],
    [11, 4, 1, 2244], [39, 1, 0, 44882], [29, 1, 1, 17176], [58, 2, 0, 28609], [53, 2, 1, 20370], [12, 3, 0, 7064],
    [44, 3, 1, 13099], [18, 4, 1, 7117], [1, 1, 0, 1179], [1, 1, 1, 552], [0, 2, 0, 781], [1, 2, 1, 676],
    [6, 3, 0, 783], [2, 3, 1, 1948], [1, 4, 1, 274], [0, 1, 0, 251], [0, 1, 1, 105], [0, 2, 0, 288],
    [0, 2, 1, 192], [2, 3, 0, 349], [11, 3, 1, 1208], [4, 4, 1, 2051], [0, 1, 0, 45], [7, 2, 0, 789],
    [7, 2, 1, 437], [5, 3, 0, 1157], [12, 3, 1, 2161], [1, 4, 1, 542],
])  # fmt: skip


def test_ship_damage():
    """Stata's nbreg with exposure(service), recorded in statsmodels' tests: NB2, 34 rows, alpha 0.2457422."""
    accidents, built, late, service = SHIPS.T
    fit = fit_counts(accidents, service, {"built": built, "late": late})
    assert fit.family is Family.NEGATIVE_BINOMIAL
    found = [*fit.effects, *fit.levels]
    coefficients = [0.28503762550355, 0.17127003537767, -6.5908639033905]
    assert [one.coefficient for one in found] == pytest.approx(coefficients, abs=3e-4)
    assert [one.se for one in found] == pytest.approx(
        [0.14983643534827, 0.27580549562862, 0.40391814231008], abs=1e-3
    )
    assert fit.alpha == pytest.approx(0.245742208349044, abs=2e-4)
    assert fit.quality.log_likelihood == pytest.approx(-82.4911561246429, abs=1e-6)
    assert fit.rows == 34


def test_levels_of_groups_against_another_solver():
    """Derived: the Poisson likelihood with a level for each machine, maximised by scipy without statsmodels."""
    rng = np.random.default_rng(1)
    machine = np.repeat(["A", "B", "C"], 20)
    severity, cans = rng.uniform(0, 2, 60), rng.uniform(1e6, 3e6, 60)
    counts = rng.poisson(cans * 2e-5 * np.exp(0.4 * severity) * np.repeat([1.0, 2.0, 0.5], 20))
    fit = fit_counts(counts, cans, {"severity": severity}, groups=machine.tolist(), family=Family.POISSON)
    dummies = (machine[:, None] == np.array(["A", "B", "C"])).astype(float)

    def minus_log_likelihood(b):
        mean = cans * 1e-5 * np.exp(dummies @ b[:3] + b[3] * severity)
        return -(counts * np.log(mean) - mean - gammaln(counts + 1.0)).sum()

    other = optimize.minimize(minus_log_likelihood, np.zeros(4), method="BFGS", options={"gtol": 1e-6})
    assert fit.quality.log_likelihood == pytest.approx(-other.fun, abs=1e-6)
    assert fit.effect("severity").coefficient == pytest.approx(other.x[3], abs=1e-5)
    assert [one.coefficient for one in fit.levels] == pytest.approx(np.log(1e-5) + other.x[:3], abs=1e-4)
    assert [one.name for one in fit.levels] == ["A", "B", "C"]


def _fleet(rng, effect, alpha, machines=14, weeks=60):
    labels = np.repeat([f"M{i}" for i in range(machines)], weeks)
    severity = rng.gamma(2.0, 0.4, machines * weeks)
    cans = rng.uniform(1e6, 3e6, machines * weeks)
    level = np.repeat(np.exp(rng.normal(0, 0.4, machines)), weeks)
    mean = 3e-5 * cans * level * np.exp(effect * severity)
    lumps = rng.gamma(1 / alpha, alpha, len(mean)) if alpha else 1.0
    return rng.poisson(mean * lumps), cans, severity, labels.tolist()


def test_intervals_cover_the_effect_put_in():
    """Derived: 60 fleets; an interval of 95 % covers the true effect in 90 to 99 % of them."""
    rng = np.random.default_rng(11)
    inside = []
    for _ in range(60):
        counts, cans, severity, groups = _fleet(rng, 0.25, 0.2, machines=5, weeks=30)
        fit = fit_counts(counts, cans, {"severity": severity}, groups=groups)
        assert fit.family is Family.NEGATIVE_BINOMIAL
        effect = fit.effect("severity")
        inside.append(effect.low <= 0.25 <= effect.high)
    assert 0.90 <= np.mean(inside) <= 0.995


def test_family_follows_the_counts():
    rng = np.random.default_rng(5)
    for alpha, expected in ((0.0, Family.POISSON), (0.3, Family.NEGATIVE_BINOMIAL)):
        counts, cans, severity, groups = _fleet(rng, 0.2, alpha)
        assert fit_counts(counts, cans, {"severity": severity}, groups=groups).family is expected
        differing = fit_counts(counts, cans, {"severity": severity})  # machines of one level, which they do not have
        assert differing.family is Family.NEGATIVE_BINOMIAL


def test_narrow_counts_stay_poisson():
    fit = fit_counts([10, 20, 30, 40, 50], 1e6, {"severity": [1, 2, 3, 4, 5]})
    assert (fit.family, fit.alpha, fit.wide_p) == (Family.POISSON, None, 1.0)


def test_unit_of_a_predictor_changes_its_effect_alone():
    rng = np.random.default_rng(2)
    counts, cans, severity, groups = _fleet(rng, 0.3, 0.1)
    as_limits = fit_counts(counts, cans, {"severity": severity}, groups=groups)
    as_um = fit_counts(counts, cans, {"offset": 25.0 * severity + 4000.0}, groups=groups)
    assert as_um.effect("offset").coefficient * 25 == pytest.approx(as_limits.effect("severity").coefficient)
    assert as_um.effect("offset").se * 25 == pytest.approx(as_limits.effect("severity").se)
    assert as_um.expected == pytest.approx(as_limits.expected)


def test_machines_on_which_nothing_was_counted_are_left_out_and_named():
    rng = np.random.default_rng(9)
    counts, cans, severity, groups = _fleet(rng, 0.3, 0.0, machines=4)
    counts[:60] = 0
    fit = fit_counts(counts, cans, {"severity": severity}, groups=groups)
    assert fit.left_out == ("M0",)
    assert not fit.expected[:60].any()
    without = fit_counts(counts[60:], cans[60:], {"severity": severity[60:]}, groups=groups[60:])
    assert fit.effects == without.effects
    assert (fit.rows, fit.counts) == (180, counts.sum())


def test_counts_avoided_by_holding_every_machine_within_limits():
    rng = np.random.default_rng(6)
    counts, cans, severity, groups = _fleet(rng, 0.3, 0.0)
    fit = fit_counts(counts, cans, {"severity": severity}, groups=groups)
    held = avoided(fit, "severity", severity, np.minimum(severity, 1.0))
    mean = fit.expected * (1 - np.exp(fit.effects[0].coefficient * (np.minimum(severity, 1.0) - severity)))
    assert held.count == pytest.approx(mean.sum())
    assert 0 < held.low < held.count < held.high < counts.sum()
    assert avoided(fit, "severity", severity, severity) == Avoided(0.0, 0.0, 0.0)


def test_fitted_counts_add_up_to_those_counted():
    """The likelihood equations of a Poisson fit with a level for each machine: sums agree machine by machine."""
    rng = np.random.default_rng(8)
    counts, cans, severity, groups = _fleet(rng, 0.3, 0.0, machines=3)
    fit = fit_counts(counts, cans, {"severity": severity}, groups=groups, family=Family.POISSON)
    assert fit.expected.reshape(3, -1).sum(axis=1) == pytest.approx(counts.reshape(3, -1).sum(axis=1))


def test_over_dispersion_is_rare_where_there_is_none():
    """Derived: of 60 Poisson samples about 5 % are taken for over-dispersed."""
    rng = np.random.default_rng(12)
    x = np.tile([0.5, 1.0, 1.5, 2.0], 15)
    p = [fit_counts(rng.poisson(30 * np.exp(0.2 * x)), 1e6, {"severity": x}).wide_p for _ in range(60)]
    assert stats.binomtest(int(np.sum(np.array(p) < 0.05)), 60, 0.05).pvalue > 0.01


ROWS = 12
RISING = np.linspace(0.1, 2.0, ROWS)
COUNTS = [3, 5, 4, 6, 9, 7, 8, 12, 9, 14, 11, 15]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: fit_counts([0] * ROWS, 1e6, {"severity": RISING}), "Nothing was counted, so"),
        (lambda: fit_counts(COUNTS, 1e6, {"severity": [1.3] * ROWS}), "severity is the same in every row"),
        (lambda: fit_counts(COUNTS, 1e6, {}), "nothing to hold the counts against"),
        (lambda: fit_counts(COUNTS[:2], 1e6, {"severity": RISING[:2]}), "There are 2 stretches"),
        (lambda: fit_counts(COUNTS, 0, {"severity": RISING}), "A rate needs cans"),
        (lambda: fit_counts(COUNTS, 1e6, {"severity": RISING[:5]}), "5 values on one side and 12"),
        (lambda: fit_counts(COUNTS, 1e6, {"severity": RISING}, groups=["A"]), "1 values on one side and 12"),
        (
            lambda: fit_counts(COUNTS, 1e6, {"severity": np.repeat([0.5, 2.0], 6)}, groups=["A"] * 6 + ["B"] * 6),
            "never changes within a machine",
        ),
        (
            lambda: fit_counts(COUNTS, 1e6, {"across": RISING, "up": 5 - 3 * RISING}),
            "across and up move together",
        ),
        (
            lambda: fit_counts([0] * 6 + COUNTS[:6], 1e6, {"out": [0] * 6 + [1] * 6}),
            "Nothing was counted on one side of out",
        ),
        (lambda: fit_counts([0] * 11 + [5], 1e6, {"severity": RISING}), "Nothing was counted on one side"),
        (lambda: fit_counts(COUNTS, 1e6, {"severity": [float("nan")] * ROWS}), "severity hold a value"),
    ],
)
def test_what_gives_no_answer_is_told_in_a_sentence(call, message):
    with pytest.raises(CalcError, match=message):
        call()


def test_a_forced_negative_binomial_on_poisson_counts_says_so_or_fits():
    """At the edge of no over-dispersion the fit has no proper maximum: a sentence, or a small alpha."""
    rng = np.random.default_rng(3)
    answers = []
    for _ in range(20):
        counts = rng.poisson(40, ROWS)
        try:
            fit = fit_counts(counts, 1e6, {"severity": RISING}, family=Family.NEGATIVE_BINOMIAL)
        except CalcError as told:
            answers.append(told.message)
        else:
            answers.append(fit.alpha)
    assert all("do not settle" in answer if isinstance(answer, str) else 0 < answer < 0.2 for answer in answers)
