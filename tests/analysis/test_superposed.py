"""Stumbles laid on one zero, against random key times."""

import numpy as np
import pytest

from logger.analysis.links.bursts import numbered
from logger.analysis.links.superposed import MOST_KEYS, precursors, superpose
from logger.event import NS_PER_S, Event, Recording, Trace
from tests.analysis.invented import event, running, seconds, shaken, steady_pulses, stumble

ONSETS = [10.02, 22.14, 34.58, 46.26, 58.34, 70.66]


def dipping(before_s: float, dip: float = 0.6, noise: float = 0.05) -> Event:
    """Feed voltage that sags for half a second from `before_s` before each onset; battery voltage only wanders."""
    rng = np.random.default_rng(3)
    time_s = np.arange(0.0, 80.0, 0.01)
    feed = 13.5 + noise * rng.normal(size=time_s.size)
    battery = 13.8 + 0.3 * np.sin(2 * np.pi * time_s / 17.0) + noise * rng.normal(size=time_s.size)
    for onset_s in ONSETS:
        feed[(time_s >= onset_s - before_s) & (time_s < onset_s - before_s + 0.5)] -= dip
    shock = shaken(80.0, [(onset_s - 0.1, 3.0) for onset_s in ONSETS], vibration_g=0.1, rate_hz=200.0)
    shock.value[:] += 0.05 * rng.normal(size=shock.value.shape)
    traces = {
        "ignition_feed_voltage": Trace(seconds(time_s), feed),
        "battery_voltage": Trace(seconds(time_s), battery),
        "acceleration": shock,
    }
    return event([Recording("r01", 80 * NS_PER_S, traces, {"tach_pulses": steady_pulses(80.0)})])


def test_a_sag_before_every_stumble_shows_as_a_precursor_and_a_wandering_channel_does_not() -> None:
    of = dipping(0.3)
    found = superpose(of, [stumble("r01", onset_s) for onset_s in ONSETS], running(of))
    feed = found["ignition_feed_voltage"]
    assert feed.n == 6
    assert feed.precursor_s == pytest.approx(-0.3, abs=0.03)
    assert found["battery_voltage"].precursor_s is None


def test_a_knock_before_every_stumble_shows() -> None:
    of = dipping(0.3)
    found = superpose(of, [stumble("r01", onset_s) for onset_s in ONSETS], running(of))
    assert found["shock_g"].precursor_s == pytest.approx(-0.1, abs=0.03)


def test_median_and_quartiles_are_those_of_the_stumbles_at_each_lag() -> None:
    of = dipping(-0.02, dip=1.0, noise=0.0)
    feed = superpose(of, [stumble("r01", onset_s) for onset_s in ONSETS], running(of))["ignition_feed_voltage"]
    at = np.searchsorted(feed.lag_s, [-1.0, 0.3, 1.5])
    np.testing.assert_allclose(feed.median[at], [13.5, 12.5, 13.5], atol=1e-9)
    np.testing.assert_allclose(feed.high - feed.low, 0.0, atol=1e-9)
    assert feed.precursor_s is None


def test_what_stood_out_is_told_with_its_side_and_its_time() -> None:
    of = dipping(0.5)
    assert precursors(of, numbered([stumble("r01", onset_s) for onset_s in ONSETS]), running(of)) == [
        {"channel": "ignition_feed_voltage", "from_s": pytest.approx(-0.5, abs=0.03), "is_higher": False, "n": 6}
    ]


def test_what_leaves_with_the_stumble_is_left_to_the_order_of_failure() -> None:
    of = dipping(0.06)
    assert precursors(of, numbered([stumble("r01", onset_s) for onset_s in ONSETS]), running(of)) == []


def test_of_many_bursts_only_some_are_laid() -> None:
    time_s = np.arange(0.0, 500.0, 0.01)
    feed = 13.5 + 0.05 * np.random.default_rng(3).normal(size=time_s.size)
    onsets = 6.0 + 7.9 * np.arange(62)
    for onset_s in onsets:
        feed[(time_s >= onset_s - 0.5) & (time_s < onset_s)] -= 0.6
    of = event([Recording("r01", 500 * NS_PER_S, {"ignition_feed_voltage": Trace(seconds(time_s), feed)},
                          {"tach_pulses": steady_pulses(500.0)})])  # fmt: skip
    (found,) = precursors(of, numbered([stumble("r01", float(onset_s)) for onset_s in onsets]), running(of))
    assert found["n"] == MOST_KEYS


def test_what_starts_only_after_zero_is_no_precursor() -> None:
    of = dipping(-0.1)
    found = superpose(of, [stumble("r01", onset_s) for onset_s in ONSETS], running(of))
    assert found["ignition_feed_voltage"].precursor_s is None


def test_the_same_event_gives_the_same_picture_twice() -> None:
    of = dipping(0.3)
    stumbles = [stumble("r01", onset_s) for onset_s in ONSETS]
    one, other = (superpose(of, stumbles, running(of))["battery_voltage"] for _ in range(2))
    np.testing.assert_array_equal(one.chance_low, other.chance_low)


def test_two_stumbles_are_too_few_and_none_are_none() -> None:
    of = dipping(0.3)
    assert superpose(of, [stumble("r01", 10.02), stumble("r01", 22.14)], running(of)) == {}
    assert superpose(of, [], running(of)) == {}


def test_windows_over_the_end_of_a_recording_are_absent_and_not_repeated() -> None:
    of = dipping(0.3)
    stumbles = [stumble("r01", onset_s) for onset_s in (1.0, 40.0, 79.5)]
    feed = superpose(of, stumbles, running(of))["ignition_feed_voltage"]
    assert np.isfinite(feed.median).all()
    assert feed.n == 3
