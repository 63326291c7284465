"""Across a hole in the load channel the load is not known, whatever lies beside it."""

import numpy as np
import pytest

from logger.analysis.crank.pulses import clean
from logger.analysis.crank.states import LOAD_HOLE_NS, LoadScale, view
from logger.event import NS_PER_S, Engine, FloatArray, IntArray, Recording, Trace
from tests.analysis.small_car import FOUR, drawn, turned


def known(time_ns: IntArray, at_ns: IntArray) -> list[bool]:
    """As it is told: each firing by the interval of the channel in which it lies, the outer ones by the nearest."""
    after = np.clip(np.searchsorted(time_ns, at_ns), 1, time_ns.size - 1)
    return (time_ns[after] - time_ns[after - 1] <= LOAD_HOLE_NS).tolist()


@pytest.mark.parametrize(
    "sampled_s",
    [
        np.arange(0.0, 10.0, 0.01),
        np.concatenate([np.arange(0.0, 3.0, 0.01), np.arange(5.0, 10.0, 0.01)]),
        np.concatenate([[2.0], np.arange(4.0, 7.0, 0.01), [8.5]]),
        np.array([4.0, 6.0]),
        np.array([2.0, 4.0, 6.0]),
    ],
    ids=["no hole", "one inside", "the first and the last interval", "nothing but a hole", "two in a row"],
)
def test_load_is_unknown_across_holes(sampled_s: FloatArray) -> None:
    firings = clean(np.arange(0, 10 * NS_PER_S, 20_000_000), Engine(4))
    time_ns = np.rint(sampled_s * NS_PER_S).astype(np.int64)
    trace = Trace(time_ns, np.full(time_ns.size, 50.0))
    load = LoadScale("throttle_position", 0.0, 100.0, 0).load({"throttle_position": trace}, firings)
    assert np.isfinite(load).tolist() == known(time_ns, firings.time_ns)
    assert np.nanmax(load, initial=0.5) == 0.5


def test_a_recording_without_the_events_load_channel_shows_no_load() -> None:
    """A throttle's sensor that came off between two runs: what the crank gains is no throttle."""
    scale = LoadScale("throttle_position", 0.0, 100.0, 0)
    tach = turned((0.0, 3000.0), (12.0, 3000.0))
    for traces, channel in (({"throttle_position": drawn(12.0, (0, 60), (12, 60))}, "throttle_position"), ({}, None)):
        recording = Recording("r01", 12 * NS_PER_S, traces, {"tach_pulses": tach})
        seen = view(recording, FOUR, clean(tach, FOUR), traces, scale, np.empty((0, 2), np.int64))
        assert seen.load_channel == channel
