"""When a level changed."""

import numpy as np
import pytest

from logger.analysis.changepoint import mean_shift, tabular_cusum


def test_a_step_is_dated_to_the_sample() -> None:
    assert mean_shift(np.array([0.0] * 30 + [1.0] * 12)) == 30


def test_a_step_in_noise_is_dated_within_a_few_samples() -> None:
    noise = np.random.default_rng(3).standard_normal(400)
    assert mean_shift(np.where(np.arange(400) < 250, 0.0, 1.5) + noise) == pytest.approx(250, abs=6)


@pytest.mark.parametrize("n", [0, 1])
def test_fewer_than_two_values_are_refused(n: int) -> None:
    with pytest.raises(ValueError, match="at least 2 values"):
        mean_shift(np.zeros(n))


def test_the_cumulative_sums_start_at_nothing_and_never_go_below() -> None:
    upper, lower = tabular_cusum(np.array([1.0, -3.0, 5.0]), target=0.0, slack=0.5)
    assert upper.tolist() == [0.5, 0.0, 4.5]
    assert lower.tolist() == [0.0, 2.5, 0.0]
