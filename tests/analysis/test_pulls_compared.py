"""The strongest pull of a gear, found for all pulls at once, is the one that pair by pair comparison finds."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis.pull.pull import Pull
from logger.analysis.pull.pulls import BIN_RPM
from logger.analysis.pull.pulls_compared import LESS_THAN_ANY, _strengths


def pull(first_rpm: float, gain: list[float]) -> Pull:
    speed = first_rpm + BIN_RPM * (np.arange(len(gain)) + 0.5)
    return Pull("r01", 0.0, 2.0, speed, np.array(gain), np.full(len(gain), 0.1), None, "unknown", 1.0)


def pair_by_pair(pulls: list[Pull]) -> list[float]:
    """Mean over the others, and itself, of the middle ratio at shared speeds."""
    out = []
    for own in pulls:
        ratios = []
        for other in pulls:
            at = np.interp(own.speed_rpm, other.speed_rpm, other.gain, left=np.nan, right=np.nan)
            shared = np.isfinite(at) & (at > 0)
            if shared.any():
                ratios.append(float(np.median(own.gain[shared] / at[shared])))
        out.append(float(np.mean(ratios)) if ratios else 0.0)
    return out


def test_strengths_are_those_of_a_pair_by_pair_comparison() -> None:
    random = np.random.default_rng(3)
    pulls = [
        pull(BIN_RPM * int(random.integers(4, 8)), random.normal(20.0, 3.0, int(random.integers(9, 13))).tolist())
        for _ in range(40)
    ]
    assert _strengths(pulls).tolist() == pytest.approx(pair_by_pair(pulls), rel=1e-12)


def test_a_pull_that_is_stronger_throughout_is_so_by_its_ratio() -> None:
    # over itself 1, over the other 1.1; the other 1 and 1 / 1.1
    assert _strengths([pull(2000.0, [11.0] * 4), pull(2000.0, [10.0] * 4)]).tolist() == pytest.approx([1.05, 0.9545454])


def test_pulls_without_shared_speeds_are_measured_by_themselves_alone() -> None:
    assert _strengths([pull(2000.0, [10.0] * 4), pull(5000.0, [12.0] * 4)]).tolist() == [1.0, 1.0]


def test_speeds_at_which_the_other_lost_speed_are_left_out() -> None:
    assert _strengths([pull(2000.0, [10.0] * 4), pull(2000.0, [-1.0, 5.0, 5.0, 5.0])])[0] == pytest.approx(1.5)


def test_a_short_pull_and_one_that_broke_up_come_after_all_others() -> None:
    long, short = pull(2000.0, [10.0] * 8), pull(2000.0, [20.0] * 3)
    broken = replace(long, break_ups_s=(1.0,))
    found = _strengths([long, short, broken])
    assert found[0] > 0.0
    assert (found[1:] < 3.0 - LESS_THAN_ANY).all()
