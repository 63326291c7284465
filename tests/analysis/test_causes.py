"""Sums of evidence to probabilities."""

import pytest

from logger.analysis.causes import PRIOR, softmax
from logger.event import CAUSES


def test_probabilities_add_up_and_cover_every_cause_word() -> None:
    probability = softmax(PRIOR)
    assert set(probability) == set(CAUSES)
    assert sum(probability.values()) == pytest.approx(1.0, abs=1e-3)


def test_a_difference_of_a_natural_unit_is_odds_of_e() -> None:
    total = dict(PRIOR) | {"ignition_primary": 2.0, "fuel_delivery": 1.0}
    probability = softmax(total)
    assert probability["ignition_primary"] / probability["fuel_delivery"] == pytest.approx(2.71828, rel=1e-2)


def test_nothing_known_convicts_nobody() -> None:
    assert max(softmax(PRIOR).values()) < 0.35
