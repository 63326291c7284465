"""Matched comparison against published worked examples and an independent implementation."""

import numpy as np
import pytest
from scipy.stats import fisher_exact, norm
from statsmodels.datasets import modechoice
from statsmodels.discrete.conditional_models import ConditionalLogit

from logger.analysis.links.matched import mantel_haenszel, rise_evidence, rise_p_of_trials, rotation_counts
from logger.analysis.links.shared_controls import Logit, fit

ADMISSIONS = [
    [[512, 313], [89, 19]], [[353, 207], [17, 8]], [[120, 205], [202, 391]],
    [[138, 279], [131, 244]], [[53, 138], [94, 299]], [[22, 351], [24, 317]],
]  # fmt: skip


@pytest.mark.parametrize(
    ("tables", "ratio", "chi_square", "p", "low", "high"),
    [
        # Three sets whose results in R's mantelhaen.test are quoted in statsmodels' tests of stratified tables.
        (
            [[[0, 0], [6, 5]], [[3, 0], [3, 6]], [[6, 2], [0, 4]], [[5, 6], [1, 0]], [[2, 5], [0, 0]]],
            7.0, 3.9286, 0.04747, 1.026713, 47.725133,
        ),
        (
            [[[20, 14], [10, 24]], [[15, 12], [3, 15]], [[3, 2], [3, 2]], [[12, 3], [7, 5]], [[1, 0], [3, 2]]],
            3.5912, 11.8852, 0.0005658, 1.781135, 7.240633,
        ),
        # University admissions by department, P. J. Bickel, E. A. Hammel & J. W. O'Connell, Science 187 (1975) 398:
        # pooled without strata the ratio is 1.84, within departments below 1 (Simpson's paradox).
        (ADMISSIONS, 0.904697, 1.42695, 0.23226, 0.771907, 1.060330),
    ],
)  # fmt: skip
def test_mantel_haenszel_gives_the_published_results(
    tables: list[list[list[int]]], ratio: float, chi_square: float, p: float, low: float, high: float
) -> None:
    found = mantel_haenszel(np.array(tables))
    assert found.odds_ratio == pytest.approx(ratio, rel=1e-4)
    assert (found.chi_square, found.p) == pytest.approx((chi_square, p), rel=1e-3)
    assert (found.low, found.high) == pytest.approx((low, high), rel=1e-5)


def test_without_strata_the_admissions_would_mislead() -> None:
    # The same paper's paradox.
    assert mantel_haenszel(np.array(ADMISSIONS).sum(axis=0)).odds_ratio == pytest.approx(1.8411, abs=1e-4)


def fit_sets(x: np.ndarray, case: np.ndarray, stratum: np.ndarray) -> Logit:
    """The fit of matched sets in rows, (n, k), (n,) and (n,): each set is a run with one case of its own."""
    x = np.asarray(x, float).reshape(len(case), -1)
    sets = [stratum == one for one in np.unique(stratum)]
    return fit([x[own & (case == 1)] for own in sets], [x[own & (case == 0)] for own in sets])


def pairs(exposed_case_only: int, exposed_control_only: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Matched pairs, one case and one control window each; concordant ones add nothing and are left out."""
    n = exposed_case_only + exposed_control_only
    exposed = np.ravel([(1, 0) if k < exposed_case_only else (0, 1) for k in range(n)])
    return exposed.astype(float), np.tile([1, 0], n), np.repeat(np.arange(n), 2)


@pytest.mark.parametrize(("b", "c", "ratio"), [(12, 4, 3.0), (9, 1, 9.0)])
def test_matched_pairs_have_the_ratio_of_the_discordant_ones(b: int, c: int, ratio: float) -> None:
    # Case-crossover with one control window: M. Maclure, Am. J. Epidemiol. 133 (1991) 144-153; the estimate b/c and
    # its standard error in the logarithm, sqrt(1/b + 1/c), are those of any text on matched pairs.
    x, case, stratum = pairs(b, c)
    found = fit_sets(x, case, stratum)
    assert np.exp(found.coefficient[0]) == pytest.approx(ratio)
    assert found.standard_error[0] == pytest.approx(np.sqrt(1 / b + 1 / c))
    tables = np.array([[[e, 1 - e], [1 - e, e]] for e in x[::2]])
    assert mantel_haenszel(tables).odds_ratio == pytest.approx(ratio)


def test_conditional_logistic_regression_agrees_with_an_independent_implementation() -> None:
    # statsmodels' ConditionalLogit (R. J. Marshall & R. T. Jackson, Stat. Med. 12 (1993) 2333-41, give the likelihood).
    rng = np.random.default_rng(2)
    x = rng.normal(size=(120, 2))
    stratum = np.repeat(np.arange(30), 4)
    case = np.tile([1, 0, 0, 0], 30)
    x[case == 1, 0] += 0.8
    theirs = ConditionalLogit(case, x, groups=stratum).fit(disp=False)
    ours = fit_sets(x, case, stratum)
    np.testing.assert_allclose(ours.coefficient, theirs.params, atol=1e-4)
    np.testing.assert_allclose(ours.standard_error, theirs.bse, rtol=1e-3)
    assert ours.log_likelihood == pytest.approx(theirs.llf, abs=1e-6)
    assert ours.log_likelihood_null == pytest.approx(30 * np.log(1 / 4))
    assert norm.sf(ours.coefficient[0] / ours.standard_error[0]) < 0.01


def test_conditional_logistic_regression_gives_the_published_estimates_of_travel_mode_choice() -> None:
    # 210 travellers with four ways to choose from, 840 rows: W. H. Greene & D. Hensher (1997), public domain, shipped
    # with statsmodels. A choice among four is a case with three controls. Estimates, standard errors and
    # log-likelihoods as in W. H. Greene, Econometric Analysis (5th ed., conditional logit, unweighted): from memory.
    data = modechoice.load_pandas().data
    air, train, bus = ((data["mode"] == k).to_numpy(float) for k in (1, 2, 3))
    x = np.column_stack([data["gc"], data["ttme"], data["hinc"] * air, air, train, bus])
    found = fit_sets(x, data["choice"].to_numpy(int), data["individual"].to_numpy(int))
    assert found.coefficient == pytest.approx([-0.01550, -0.09612, 0.01329, 5.2074, 3.8690, 3.1632], abs=5e-5)
    assert found.standard_error == pytest.approx([0.004408, 0.01044, 0.01026, 0.7791, 0.4431, 0.4503], rel=5e-4)
    assert (found.log_likelihood, found.log_likelihood_null) == pytest.approx((-199.1284, -291.1218), abs=5e-5)


def test_turning_one_case_round_gives_the_share_of_exposed_time() -> None:
    # By hand: 3 s of 60 s exposed.
    chance = rotation_counts(np.array([10.0]), np.array([[5.0, 6.0], [20.0, 22.0]]), (0.0, 60.0), 0.02)
    assert chance == pytest.approx([57 / 60, 3 / 60], abs=2e-3)


def test_turning_two_cases_round_together_keeps_their_distance() -> None:
    # By hand: both are struck only while the second lies in the first's window shifted: 1 s windows 15 s apart, cases
    # 15 s apart: either both (1 s of 60), or one (1 s each on either side), or none.
    windows = np.array([[5.0, 6.0], [20.0, 21.0]])
    chance = rotation_counts(np.array([10.0, 25.0]), windows, (0.0, 60.0), 0.02)
    assert chance == pytest.approx([57 / 60, 2 / 60, 1 / 60], abs=2e-3)


@pytest.mark.parametrize(("n_cold", "n_hot", "hits"), [(6, 6, 4), (8, 8, 5), (4, 12, 6)])
def test_trials_that_hit_only_when_hot_have_fishers_p(n_cold: int, n_hot: int, hits: int) -> None:
    # R. A. Fisher's exact test of the table [[hits, hot left], [0, cold]] (SciPy), trials alike but for temperature.
    degc = np.concatenate([np.full(n_cold, 60.0), np.full(n_hot, 90.0)])
    hit = np.arange(degc.size) >= degc.size - hits
    exact = fisher_exact([[hits, n_hot - hits], [0, n_cold]], alternative="greater").pvalue
    assert rise_p_of_trials(degc, hit, np.full(degc.size, 3.0), 2.0) == pytest.approx(exact, abs=0.01)


def test_trials_that_hit_by_their_strength_alone_say_nothing_of_heat() -> None:
    # By hand: the strong third hits always, and happens to be the hot one; dealt out within thirds nothing can change.
    degc, level = np.repeat([60.0, 75.0, 90.0], 5), np.repeat([2.0, 3.0, 4.0], 5)
    assert rise_p_of_trials(degc, level > 3.5, level, 2.0) == 1.0


def test_evidence_of_a_rise_is_that_of_the_share_of_time_beyond_it() -> None:
    # By hand: a rise between two halves makes each of 6 cases in the hot one at most twice as likely, so 2^6 in all;
    # in the cold half less likely than no rise would.
    control = np.repeat([60.0, 90.0], 500)
    evidence = rise_evidence(np.full(6, 90.0), control, 0.1)
    assert 0.0 < evidence <= 6 * np.log(2.0)
    assert rise_evidence(np.full(6, 60.0), control, 0.1) < 0.0
