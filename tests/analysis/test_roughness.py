"""Lost combustion seen in the crank alone."""

import numpy as np
import pytest

from logger.analysis.crank import roughness
from logger.analysis.crank.pulses import Firings, clean
from logger.event import Engine, FloatArray

FOUR = Engine(cylinders=4, idle_rpm=900)


def train(log_interval: FloatArray, jitter: float = 0.004, seed: int = 2) -> Firings:
    """Firings from the logarithm of intervals of about 5 ms, each edge shifted by `jitter` intervals at random."""
    at = np.cumsum(5e6 * np.exp(log_interval))
    at += 5e6 * jitter * np.random.default_rng(seed).standard_normal(at.size)
    return clean(np.rint(at).astype(np.int64), FOUR)


def test_a_loss_of_half_a_percent_per_firing_is_measured_and_dated() -> None:
    slowed = np.zeros(400)
    slowed[200:212] = 0.005 * np.arange(1, 13)
    slowed[212:] = 0.06
    lost, score = roughness.speed_loss(train(slowed), 12)
    k = int(np.argmax(score))
    assert k == pytest.approx(200, abs=4)
    assert lost[k] == pytest.approx(0.005, rel=0.25)
    assert score[k] > 10


def test_a_steady_pull_and_a_steady_coast_score_nothing() -> None:
    for slope in (-0.002, 0.002):
        _, score = roughness.speed_loss(train(slope * np.arange(400.0)), 12)
        assert np.abs(score).max() < 6


def test_scores_of_pure_jitter_are_standard_normal() -> None:
    _, score = roughness.speed_loss(train(np.zeros(20_000), 0.01), 12)
    inside = score[100:-100]
    assert inside.std() == pytest.approx(1.0, abs=0.1)


def test_nothing_is_said_within_reach_of_a_stretchs_ends() -> None:
    lost, _ = roughness.speed_loss(train(np.zeros(100)), 12)
    assert np.flatnonzero(lost).min() >= roughness.BEFORE
    assert np.flatnonzero(lost).max() < 100 - 12


def test_the_jitter_is_read_off_the_edges() -> None:
    jitter = roughness.edge_jitter(roughness.log_intervals(train(np.zeros(3000), 0.01)))
    assert float(np.median(jitter)) == pytest.approx(0.01, rel=0.15)


def test_a_gap_in_which_the_crank_slowed_lost_firings_and_one_in_which_it_did_not_lost_pulses() -> None:
    slowed = np.zeros(400)
    slowed[200:210] = 0.005 * np.arange(1, 11)
    slowed[210:] = 0.05
    for log_interval, expected in ((slowed, 0.005), (np.zeros(400), 0.0)):
        whole = train(log_interval, 0.002)
        firings = clean(np.delete(whole.time_ns, slice(201, 210)), FOUR)
        (run,) = firings.missing_runs().tolist()
        loss = roughness.loss_over_gap(firings, *run, roughness.jitter_before(firings, run[0]))
        assert loss is not None
        assert loss.lost_per_pulse == pytest.approx(expected, abs=0.0012)
