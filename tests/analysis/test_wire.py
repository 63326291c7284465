"""Did the ignition miss, or did only the tach wire lose the pulses?"""

import numpy as np
import pytest

from logger.analysis.wire import Gap, chance_real


def gap(missing: int, ratio: float, pieces: int = 1) -> Gap:
    runs = tuple((100 * k, 100 * k + missing // pieces) for k in range(pieces))
    return Gap(runs[0][0], runs[-1][1], runs, missing, float(missing), ratio, 0, 1)


def test_no_gaps_no_chances() -> None:
    assert chance_real([], []).size == 0


def test_a_gap_that_another_signal_proves_is_certain() -> None:
    assert chance_real([gap(3, -5.0)], [True]).tolist() == [1.0]


def test_a_wire_that_was_never_caught_is_trusted() -> None:
    # At closed throttle the crank says nothing, but every gap under load slowed it.
    chance = chance_real([gap(6, 4.0), gap(8, 5.0), gap(5, 0.0)], [False] * 3)
    assert chance[2] > 0.8


def test_a_wire_that_was_caught_under_load_is_suspected_everywhere() -> None:
    caught = [gap(6, -4.0), gap(8, -4.0), gap(7, -4.0)]
    assert chance_real([*caught, gap(6, 0.0)], [False] * 4)[3] < 0.6


def test_a_long_silence_is_not_taken_for_a_bad_wire_because_short_ones_were() -> None:
    caught = [gap(4, -4.0), gap(5, -4.0), gap(4, -4.0)]
    assert chance_real([*caught, gap(60, 0.0)], [False] * 4)[3] > 0.9


def test_scattered_single_pulses_are_the_wires() -> None:
    scattered = [gap(20, -2.0, pieces=20), gap(12, 0.0, pieces=12)]
    assert chance_real(scattered, [False, False]) == pytest.approx(np.zeros(2), abs=0.4)
