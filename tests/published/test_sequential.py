"""Tests that may be looked at while they run, against the classical numbers."""

import numpy as np
import pytest
from scipy.stats import nbinom

from logger.analysis.repair.sequential import confidence_fallen, evidence_against, exposure_needed, tail
from tests.bench.repairs import wald_lines


def test_walds_lines_for_a_doubled_poisson_rate() -> None:
    # A. Wald, Sequential Analysis (1947): stop at ln((1-b)/a) and ln(b/(1-a)); for rates 1 and 2 with a 0.05, b 0.10
    # the count's lines are 1.442695 t + 4.169925 and 1.442695 t - 3.247928 (recomputed).
    slope, upper, lower = wald_lines(1.0, 2.0, 0.05, 0.10)
    assert (slope, upper, lower) == pytest.approx((1.442695, 4.169925, -3.247928), abs=1e-6)


def test_the_error_of_any_clean_record_stays_within_its_stake_whenever_it_is_read() -> None:
    # Alpha spending, K. K. G. Lan & D. L. DeMets, Biometrika 70 (1983) 659-663: nine tenths of 0.05 for no bursts.
    for before in (1, 2, 5, 9, 20):
        assert tail(before, 0, exposure_needed(before, 0)) == pytest.approx(0.9 * 0.05)


@pytest.mark.parametrize("before", [2, 5, 12])
def test_all_looks_together_are_wrong_less_than_once_in_twenty(before: int) -> None:
    # Exactly, by following the chain of counts: with the count before given, bursts since are a Polya process
    # (negative binomial increments). Its chance of ever meeting the boundary at a fall to exactly one fifth.
    limits = [exposure_needed(before, j) for j in range(40)]
    chance, at = np.zeros(400), 0.0
    chance[0], wrong = 1.0, 0.0
    for j, limit in enumerate(limits):
        if limit > 5000:
            break
        chance = _grown(chance, before, at, limit)
        at = limit
        wrong += chance[: j + 1].sum()
        chance[: j + 1] = 0.0
    assert 0.045 <= wrong <= 0.05


def _grown(chance: np.ndarray, before: int, at: float, to: float) -> np.ndarray:
    """The count's distribution after more exposure: bursts to come are negative binomial given those so far."""
    share = (1 + 0.2 * at) / (1 + 0.2 * to)
    grown = np.zeros_like(chance)
    for n in np.flatnonzero(chance > 1e-15):
        more = np.arange(chance.size - n)
        grown[n:] += chance[n] * nbinom.pmf(more, before + n, share)
    return grown


def test_an_e_value_averages_one_where_its_hypothesis_is_true() -> None:
    # J. Ville, Etude critique de la notion de collectif (1939): then it passes 20 with chance of at most 1 in 20.
    n = np.arange(300)
    for ratio_exposure in (0.5, 3.0):
        chance = nbinom.pmf(n, 6, 1 / (1 + 0.2 * ratio_exposure))
        mean = sum(p * evidence_against(6, int(k), ratio_exposure) for k, p in zip(n, chance, strict=True))
        assert mean == pytest.approx(1.0, abs=1e-6)


def test_confidence_is_never_negative_and_never_one() -> None:
    # By definition of a confidence.
    assert confidence_fallen(5, 50, 1.0) == 0.0
    assert confidence_fallen(5, 0, 1e3) < 1.0
