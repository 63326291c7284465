"""Exact Poisson limits and the comparison of two rates against published numbers."""

import pytest
from scipy.stats import poisson_means_test

from logger.analysis.repair.sequential import exposure_needed, poisson_limits, tail


@pytest.mark.parametrize(
    ("n", "low", "high", "one_sided"),
    [
        (0, 0.0, 3.6889, 2.9957),
        (1, 0.0253, 5.5716, 4.7439),
        (2, 0.2422, 7.2247, 6.2958),
        (3, 0.6187, 8.7673, 7.7537),
        (5, 1.6235, 11.6683, 10.5130),
        (10, 4.7954, 18.3904, 16.9622),
        (20, 12.2165, 30.8884, 29.0620),
    ],
)
def test_limits_are_those_of_garwoods_table(n: int, low: float, high: float, one_sided: float) -> None:
    # F. Garwood, Biometrika 28 (1936) 437-442: 95 % limits; recomputed from the chi-square form he gives.
    assert poisson_limits(n) == pytest.approx((low, high), abs=5e-4)
    assert poisson_limits(n, two_sided=False)[1] == pytest.approx(one_sided, abs=5e-4)


@pytest.mark.parametrize(("level", "low", "high"), [(0.90, 17.38, 34.92), (0.95, 16.18, 36.90), (0.99, 14.00, 41.00)])
def test_limits_of_25_events_are_the_published_ones(level: float, low: float, high: float) -> None:
    # A statistics publisher's answer page on confidence intervals of counts, graphpad.com, citing Garwood (1936).
    assert poisson_limits(25, level) == pytest.approx((low, high), abs=0.01)


def test_limits_of_15_events_in_400_are_those_of_two_r_packages() -> None:
    # R packages DescTools and exactci, as quoted in statsmodels' tests of Poisson rates.
    low, high = poisson_limits(15)
    assert (low / 400, high / 400) == pytest.approx((0.0209884653319583, 0.0618505471787146), rel=1e-9)


def test_no_event_in_n_leaves_the_rule_of_three() -> None:
    # J. A. Hanley & A. Lippman-Hand, JAMA 249 (1983) 1743-1745: at most 3/n with 95 % confidence.
    assert poisson_limits(0, two_sided=False)[1] == pytest.approx(3.0, abs=0.005)
    # JAMA 274 (1995) 1013 (letter): numerators 3.51, 4.61, 5.3 for 97, 99 and 99.5 %.
    for level, numerator in ((0.97, 3.51), (0.99, 4.61), (0.995, 5.3)):
        assert poisson_limits(0, level, two_sided=False)[1] == pytest.approx(numerator, abs=0.01)


def test_a_rate_known_perfectly_needs_the_rule_of_three_at_a_single_look() -> None:
    # The same rule: with 10^6 bursts before, a fall to one fifth is shown once three bursts would have been due at it.
    assert tail(1e6, 0, 2.9957 / 0.2 / 1e6) == pytest.approx(0.05, abs=1e-5)
    assert exposure_needed(1e6, 0) * 1e6 * 0.2 == pytest.approx(2.9957 + 0.1054, abs=1e-3)  # -ln 0.9 for all looks


@pytest.mark.parametrize(
    ("k1", "k2", "e_test", "exact"), [(0, 3, 0.08837900929, 0.25), (2, 6, 0.1749, 0.28906), (20, 20, 0.99999976, 1.0)]
)
def test_two_equal_exposures_give_the_published_p_values(k1: int, k2: int, e_test: float, exact: float) -> None:
    # K. Krishnamoorthy & J. Thomson, J. Stat. Plan. Inference 119 (2004) 23-35, section 6, and SciPy's example of
    # poisson_means_test: their E-test; the exact conditional p (two tails of equal size) is the older test's.
    assert poisson_means_test(k1, 100, k2, 100).pvalue == pytest.approx(e_test, abs=1e-4)
    assert min(1.0, 2 * tail(k2, k1, 1.0, kept=1.0)) == pytest.approx(exact, abs=1e-4)


def test_the_exact_test_is_never_bolder_than_the_e_test_on_the_published_example() -> None:
    # The same example, 0 of 100 against 3 of 100, one-sided: the conditional test is the cautious one.
    assert tail(3, 0, 1.0, kept=1.0) == pytest.approx(0.125)
    assert poisson_means_test(0, 100, 3, 100, alternative="less").pvalue < 0.125
