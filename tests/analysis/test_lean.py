"""Counting lost firings in the exhaust."""

import numpy as np
import pytest

from logger.analysis.lean import lag_s, undo_lag
from logger.event import FloatArray

STEP_S, TAU_S = 0.02, 0.125


def lagged(step: FloatArray) -> FloatArray:
    """A first-order lag of TAU_S, exact for steps held over each sample."""
    out = np.empty(step.size)
    value = step[0]
    for k, target in enumerate(step):
        value += (target - value) * (1 - np.exp(-STEP_S / TAU_S))
        out[k] = value
    return out


def test_undoing_the_lag_gives_back_the_step() -> None:
    step = np.where((np.arange(200) > 80) & (np.arange(200) < 120), 18.0, 13.0)
    undone = undo_lag(lagged(step), STEP_S, TAU_S)
    assert undone[90:115] == pytest.approx(np.full(25, 18.0), abs=0.1)
    assert undone[:75] == pytest.approx(np.full(75, 13.0), abs=1e-9)


def test_the_lag_is_read_off_the_way_readings_decay() -> None:
    cuts = np.where((np.arange(4000) // 60) % 2 == 0, 20.0, 13.0)
    assert lag_s(lagged(cuts) - 13.0, STEP_S) == pytest.approx(TAU_S, rel=0.1)


def test_without_decays_the_usual_lag_is_taken() -> None:
    assert lag_s(np.zeros(500), STEP_S) == TAU_S
