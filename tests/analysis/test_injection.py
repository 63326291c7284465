"""Injections left out while the coil was fired."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis.crank.states import View
from logger.analysis.signs import injection
from logger.event import IntArray
from tests.analysis.small_car import drawn, seen, turned

S = 1_000_000_000
TACH = turned((0.0, 3000.0), (60.0, 3000.0))  # four pulses in two turns


def view(left_out: tuple[float, float], noise_ns: IntArray) -> View:
    """A minute at 3,000 rev/min and half throttle, without injections between two times, in seconds."""
    from_ns, to_ns = left_out[0] * S, left_out[1] * S
    at_ns = TACH[::4]
    gone = (at_ns > from_ns) & (at_ns < to_ns)
    plain = seen(TACH, 60.0, {"throttle_position": drawn(60.0, (0, 50.0), (60, 50.0))})
    pulses = {**plain.recording.pulses, "injector_pulses": at_ns[~gone]}
    firings = replace(plain.firings, extra_ns=noise_ns)
    return replace(plain, recording=replace(plain.recording, pulses=pulses), firings=firings)


NONE = np.empty(0, np.int64)
NOISE = np.arange(30 * S, 31 * S, 10_000_000)  # as many edges as pulses


def test_injections_left_out_are_counted() -> None:
    (sign,) = injection.signs(view((30.0, 30.4), NONE))
    assert (sign.from_ns / S, sign.to_ns / S) == pytest.approx((30.0, 30.4), abs=0.05)
    # two firings a turn; 50 turns a second
    assert sign.lost == pytest.approx(0.4 * 50 * 2, abs=4.0)


@pytest.mark.parametrize(("at_s", "n_signs"), [(30.2, 0), (31.3, 0), (33.0, 1)])
def test_where_the_tach_wire_picks_up_noise_nobody_knows_how_far_the_crank_turned(at_s: float, n_signs: int) -> None:
    assert len(injection.signs(view((at_s, at_s + 0.4), NOISE))) == n_signs


def test_injections_that_went_on_are_known_around_each_firing() -> None:
    one = view((30.0, 30.4), NONE)
    went_on = injection.went_on(one)
    gone = (one.firings.time_ns > 30.05 * S) & (one.firings.time_ns < 30.35 * S)
    assert not went_on[gone].any()
    sure = np.abs(one.firings.time_ns / S - 30.2) > 0.3
    assert went_on[sure][4:-4].all()


def test_without_an_injectors_wire_no_injection_is_known() -> None:
    assert not injection.went_on(seen(TACH, 60.0, {})).any()
