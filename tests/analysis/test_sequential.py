"""Confidence that holds however often one looks."""

import numpy as np
import pytest
from scipy.stats import binom

from logger.analysis.repair.rates import compare, overdispersion
from logger.analysis.repair.sequential import (
    confidence_fallen,
    evidence_against,
    exposure_needed,
    poisson_limits,
    tail,
    weight,
)
from logger.errors import AnalysisError
from tests.bench.repairs import Histories, project, share_fixed


def test_five_bursts_before_need_about_four_times_that_exposure_clean() -> None:
    assert exposure_needed(5, 0) == pytest.approx(4.30, abs=0.01)
    assert confidence_fallen(5, 0, 4.31) >= 0.95 > confidence_fallen(5, 0, 4.29)


def test_the_clean_record_is_a_sum_to_do_in_the_head() -> None:
    """Five bursts before, five times the exposure since: 1 / (1 + 0.2 * 5) = 1/2, and (1/2)^5 = 1/32."""
    assert tail(5, 0, 5.0) == pytest.approx(1 / 32)
    assert confidence_fallen(5, 0, 5.0) == pytest.approx(1 - 1 / 32 / 0.9)


@pytest.mark.parametrize(("before", "after", "ratio"), [(8, 5, 1.5), (3, 1, 4.0), (12, 0, 0.7), (6, 9, 2.0)])
def test_at_a_single_look_it_is_the_exact_binomial_test(before: int, after: int, ratio: float) -> None:
    share = 0.2 * ratio / (1 + 0.2 * ratio)
    assert tail(before, after, ratio) == pytest.approx(binom.cdf(after, before + after, share))


def test_the_stakes_on_all_counts_add_up_to_one() -> None:
    assert sum(weight(n) for n in range(60)) == pytest.approx(1.0)


def test_more_clean_running_never_lowers_and_another_burst_never_raises_confidence() -> None:
    by_exposure = [confidence_fallen(6, 1, x) for x in np.linspace(0.1, 60, 50)]
    by_count = [confidence_fallen(6, n, 30.0) for n in range(8)]
    assert by_exposure == sorted(by_exposure)
    assert by_count == sorted(by_count, reverse=True)


def test_nothing_before_proves_nothing_and_can_never_prove_anything() -> None:
    assert confidence_fallen(0, 0, 1000.0) == 0.0
    assert exposure_needed(0, 0) == np.inf
    assert evidence_against(0, 3, 1.0) == 1.0


def test_no_exposure_since_proves_nothing() -> None:
    assert confidence_fallen(20, 0, 0.0) == 0.0
    assert evidence_against(20, 0, 0.0) == 1.0


def test_as_many_bursts_as_before_exclude_a_fall_and_a_clean_record_does_not() -> None:
    assert evidence_against(10, 10, 1.0) > 20
    assert evidence_against(10, 0, 1.0) < 1


def test_negative_input_is_refused() -> None:
    with pytest.raises(AnalysisError, match="not below 0"):
        tail(-1, 0, 1.0)
    with pytest.raises(AnalysisError, match="events from 0"):
        poisson_limits(-1)


def test_runs_that_differ_as_poisson_counts_do_are_not_overdispersed() -> None:
    assert overdispersion([([2, 1, 3, 2], [1, 1, 1, 1])]) == 1.0


def test_all_bursts_in_one_of_six_runs_are_overdispersed() -> None:
    """Expected 2 in each: χ² = (10² + 5 · 2²) / 2 = 60 on 5 degrees; with 8 runs' worth of prior, 68 / 13."""
    assert overdispersion([([12, 0, 0, 0, 0, 0], [1] * 6)]) == pytest.approx(68 / 13)


def test_a_run_without_exposure_or_a_period_without_bursts_does_not_disturb() -> None:
    assert overdispersion([([2, 0], [1.0, 0.0]), ([0, 0, 0], [1, 1, 1]), ([], [])]) == 1.0


def test_compare_takes_empty_lists() -> None:
    nothing = compare([], [], [], [])
    assert (nothing.confidence, nothing.verdict, nothing.needed) == (0.0, "too_early", np.inf)


def test_one_burst_in_the_next_run_after_a_bad_day_is_too_early_and_two_are_not_fixed() -> None:
    assert compare([3, 3, 2], [1, 1, 1], [1], [2.0]).verdict == "too_early"
    assert compare([3, 3, 2], [1, 1, 1], [2], [1]).verdict == "not_fixed"


def test_one_burst_in_a_long_clean_stretch_is_too_early_and_more_of_it_is_fixed() -> None:
    assert compare([5, 5], [1, 1], [1] + [0] * 9, [1] * 10).verdict == "too_early"
    assert compare([5, 5], [1, 1], [1] + [0] * 29, [1] * 30).verdict == "fixed"


@pytest.mark.parametrize(("ratio", "spread"), [(1.0, 0.0), (0.5, 0.5), (0.3, 0.0), (0.3, 1.0)])
def test_with_a_look_after_every_run_fixed_is_wrong_in_one_history_of_twenty_at_most(
    ratio: float, spread: float
) -> None:
    """The small, fixed version of the simulation in tests/bench/repairs.py."""
    assert share_fixed(project, Histories(ratio, spread=spread, looks=20), 60)[0] <= 0.05


def test_a_repair_that_worked_is_called_fixed_within_twenty_runs_in_most_histories() -> None:
    found, median = share_fixed(project, Histories(0.0, looks=30), 60)
    assert found > 0.75
    assert median <= 16
