"""Knocks from the road, and what must not be taken for one."""

import numpy as np
import pytest

from logger.analysis.links import shock
from logger.errors import AnalysisError
from logger.event import Recording, Trace
from tests.analysis.invented import ENGINE, seconds, shaken, steady_pulses

HITS = [(2.0, 3.0), (4.5, 2.0), (7.25, 6.0)]


def test_each_knock_is_found_at_its_begin_with_its_level() -> None:
    found = shock.hits(shaken(10.0, HITS), steady_pulses(10.0), ENGINE)
    np.testing.assert_allclose(found.time_s, [2.0, 4.5, 7.25], atol=0.006)
    np.testing.assert_allclose(found.level_g, [3.0, 2.0, 6.0], rtol=0.15)


def test_an_askew_mounting_changes_neither_times_nor_levels() -> None:
    turn = np.deg2rad([37.0, 25.0])
    about_x = np.array([[1, 0, 0], [0, np.cos(turn[0]), -np.sin(turn[0])], [0, np.sin(turn[0]), np.cos(turn[0])]])
    about_z = np.array([[np.cos(turn[1]), -np.sin(turn[1]), 0], [np.sin(turn[1]), np.cos(turn[1]), 0], [0, 0, 1]])
    straight = shock.hits(shaken(10.0, HITS), steady_pulses(10.0), ENGINE)
    askew = shock.hits(shaken(10.0, HITS, mounting=about_z @ about_x), steady_pulses(10.0), ENGINE)
    np.testing.assert_array_equal(askew.time_ns, straight.time_ns)
    np.testing.assert_allclose(askew.level_g, straight.level_g, rtol=0.1)


@pytest.mark.parametrize("vibration_g", [0.1, 0.5, 1.5, 3.0])
def test_engine_vibration_however_strong_is_no_knock(vibration_g: float) -> None:
    assert shock.hits(shaken(10.0, vibration_g=vibration_g), steady_pulses(10.0), ENGINE).time_ns.size == 0


def test_engine_vibration_is_no_knock_without_a_tach_either() -> None:
    assert shock.hits(shaken(10.0, vibration_g=1.5)).time_ns.size == 0


def test_a_bend_and_hard_braking_are_no_knocks() -> None:
    trace = shaken(10.0)
    time_s = trace.time_ns / 1e9
    trace.value[:, 1] += 1.2 * np.clip(time_s - 3.0, 0.0, 1.0)
    trace.value[:, 0] -= 1.0 * np.clip((time_s - 6.0) / 0.3, 0.0, 1.0)
    assert shock.hits(trace, steady_pulses(10.0), ENGINE).time_ns.size == 0


def test_a_lone_sample_at_the_end_of_the_range_is_a_glitch_and_no_knock() -> None:
    trace = shaken(10.0)
    trace.value[2000, 0] = 16.0
    assert shock.hits(trace, steady_pulses(10.0), ENGINE).time_ns.size == 0


def test_ringing_within_60_ms_is_one_knock() -> None:
    found = shock.hits(shaken(10.0, [(2.0, 3.0), (2.04, 2.5)]), steady_pulses(10.0), ENGINE)
    assert found.time_ns.size == 1


def test_absent_samples_are_no_knock() -> None:
    trace = shaken(10.0, HITS)
    trace.value[1500:1700] = np.nan
    np.testing.assert_allclose(shock.hits(trace).time_s, [2.0, 4.5, 7.25], atol=0.006)


@pytest.mark.parametrize(
    "trace", [None, Trace(seconds([]), np.empty((0, 3))), Trace(seconds([0, 1]), np.zeros((2, 3)))]
)
def test_next_to_nothing_gives_no_knocks(trace: Trace | None) -> None:
    assert shock.hits(trace).time_ns.size == 0


def test_one_axis_is_refused_with_what_is_expected() -> None:
    with pytest.raises(AnalysisError, match=r"shape \(100,\); expected \(n, 3\)"):
        shock.hits(Trace(seconds(np.arange(100) / 400), np.zeros(100)))


def levels(knocks: dict[int, float], rms: float | None = None) -> tuple[Trace, Trace]:
    """Peak and RMS each 50 ms for 10 s: 0.3 and 0.15 g, but for some stretches."""
    time_ns = np.arange(1, 201, dtype=np.int64) * 50_000_000
    peak = np.full(200, 0.3)
    for at, level in knocks.items():
        peak[at] = level
    return Trace(time_ns, peak), Trace(time_ns, peak * 0.5 if rms is None else np.full(200, rms))


def test_knocks_are_found_in_levels_alone_and_dated_to_the_begin_of_their_stretch() -> None:
    found = shock.hits_of_levels(*levels({40: 3.0, 120: 2.0}))
    np.testing.assert_allclose(found.time_s, [2.0, 6.0])
    np.testing.assert_allclose(found.level_g, [3.0, 2.0])


def test_a_single_sample_at_the_end_of_the_range_is_a_glitch_in_levels_too() -> None:
    # 16 g in one of 20 samples: the RMS of its stretch is 16 / sqrt(20) = 3.6 g; a knock that rings holds more.
    assert shock.hits_of_levels(*levels({40: 16.0}, rms=3.6)).time_ns.size == 0
    assert shock.hits_of_levels(*levels({40: 16.0}, rms=8.0)).time_ns.size == 1


def test_strong_steady_vibration_in_levels_is_no_knock() -> None:
    peak, rms = levels({})
    assert shock.hits_of_levels(Trace(peak.time_ns, peak.value * 8.0), rms).time_ns.size == 0


def test_levels_are_used_only_where_the_samples_are_not_recorded() -> None:
    peak, rms = levels({40: 3.0})
    traces = {"vibration_peak": peak, "vibration_rms": rms}
    assert shock.hits_of(Recording("r01", 10_000_000_000, traces), ENGINE).time_ns.size == 1
    traces["acceleration"] = shaken(10.0)
    assert shock.hits_of(Recording("r01", 10_000_000_000, traces), ENGINE).time_ns.size == 0
    assert shock.hits_of(Recording("r01", 10_000_000_000), ENGINE).time_ns.size == 0
