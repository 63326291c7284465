"""Time in each condition and bursts begun there."""

import json

import numpy as np
import pytest

from logger.analysis.links import exposure
from logger.analysis.links.bursts import bursts, numbered
from logger.analysis.links.frames import frame, knocks_at_risk, load_steps, part, struck_by
from logger.event import Recording, Trace
from tests.analysis.invented import ENGINE, coolant, event, run, seconds, steady_pulses, stumble


def test_a_burst_is_all_stumbles_that_start_within_3_s_of_the_end_of_the_one_before() -> None:
    stumbles = [stumble("r01", 10.0, 1.0), stumble("r01", 13.9, 0.5), stumble("r01", 17.5, 0.5), stumble("r02", 18.0)]
    np.testing.assert_allclose(bursts(stumbles, "r01"), [[10.0, 14.4], [17.5, 18.0]])


def test_thirty_cut_outs_in_a_row_are_one_burst() -> None:
    stumbles = [stumble("r01", 10.0 + 0.8 * k) for k in range(30)]
    assert len(bursts(stumbles, "r01")) == 1


def test_time_at_risk_leaves_out_bursts_and_the_3_s_after_them() -> None:
    found = exposure.of(run("r01"), ENGINE, [(0.0, 60.0)], [stumble("r01", 20.0, 1.0)])
    assert found.running_s == pytest.approx(60.0, abs=0.11)
    assert found.at_risk_s == pytest.approx(56.0, abs=0.21)
    assert (found.bursts, found.stumbles) == (1, 1)


def test_seconds_and_bursts_are_counted_in_the_same_cells() -> None:
    found = exposure.of(run("r01", degc=(60.0, 90.0)), ENGINE, [(0.0, 60.0)], [stumble("r01", 40.5, 0.5)])
    histogram = found.histograms["coolant_temperature"]
    cell = np.flatnonzero(histogram.bursts)
    assert histogram.edges[cell[0]] == 80.0
    assert histogram.bursts.sum() == 1
    assert histogram.seconds.sum() == pytest.approx(found.at_risk_s, abs=0.05)
    assert histogram.seconds[histogram.edges[:-1] == 60.0][0] == pytest.approx(5.0, abs=0.2)


def test_running_outside_the_given_intervals_is_no_exposure() -> None:
    found = exposure.of(run("r01"), ENGINE, [(10.0, 25.0)])
    assert found.running_s == pytest.approx(15.0, abs=0.11)


def test_knocks_during_a_burst_are_no_exposure_but_the_one_that_set_it_off_is() -> None:
    cells = frame(run("r01", [(5.0, 2.0), (20.0, 3.0), (21.5, 2.5), (30.0, 2.0)]), ENGINE, [(0.0, 60.0)],
                  [stumble("r01", 20.03, 0.5)])  # fmt: skip
    np.testing.assert_allclose(cells.hits.time_s[knocks_at_risk(cells)], [5.0, 20.0, 30.0], atol=0.006)


def test_only_a_knock_before_the_onset_can_have_struck() -> None:
    cells = frame(run("r01", [(20.0, 3.0)]), ENGINE, [(0.0, 60.0)])
    levels = struck_by(cells, np.array([20.05, 20.25, 20.35, 19.9]))
    np.testing.assert_array_equal(np.isfinite(levels), [True, True, False, False])


def test_the_logbook_takes_an_exposure_and_gives_it_back() -> None:
    stumbles = [stumble("r01", 20.03, 0.5), stumble("r01", 40.0, 0.5)]
    found = exposure.of(run("r01", [(20.0, 3.0)]), ENGINE, [(0.0, 60.0)], stumbles)
    text = json.dumps(found.to_dict())
    again = exposure.Exposure.from_dict(json.loads(text))
    assert again.to_dict() == found.to_dict()
    assert np.isnan(again.burst_g[1])
    assert len(text) < 6000


def test_a_recording_can_be_cut_where_work_was_done_on_the_car() -> None:
    cells = frame(run("r01", [(5.0, 2.0), (30.0, 2.0)]), ENGINE, [(0.0, 60.0)],
                  [stumble("r01", 5.05), stumble("r01", 30.05)])  # fmt: skip
    first = part(cells, 0.0, 20.0)
    assert exposure.summarise(first).running_s == pytest.approx(20.0)
    assert (len(first.bursts_s), first.hits.time_ns.size) == (1, 1)


def test_an_open_wire_in_the_coolant_channel_is_not_taken_for_cold() -> None:
    trace = coolant(60.0, 80.0, 90.0)
    trace.value[100:150] = -40.0
    trace.value[95:100] = [70.0, 40.0, 10.0, -10.0, -25.0]
    recording = Recording("r01", 60 * 10**9, {"coolant_temperature": trace}, {"tach_pulses": steady_pulses(60.0)})
    value = frame(recording, ENGINE, [(0.0, 60.0)]).values["coolant_temperature"]
    np.testing.assert_allclose(value, np.interp(np.arange(600) * 0.1 + 0.05, [0, 60], [80, 90]), atol=0.2)


def test_a_dead_coolant_channel_is_unknown() -> None:
    trace = Trace(seconds([0.0, 1.0, 2.0]), np.array([np.nan, np.nan, np.nan]))
    recording = Recording("r01", 60 * 10**9, {"coolant_temperature": trace}, {"tach_pulses": steady_pulses(60.0)})
    found = exposure.of(recording, ENGINE, [(0.0, 60.0)], [stumble("r01", 10.0)])
    assert "coolant_temperature" not in found.histograms
    assert np.isnan(found.burst_degc[0])


def test_a_recording_of_nothing_has_no_exposure() -> None:
    found = exposure.of(Recording("r01", 0), ENGINE, [], [])
    assert (found.running_s, found.at_risk_s, found.bursts) == (0.0, 0.0, 0)


def test_time_since_a_hot_stop_is_counted_where_it_is_known() -> None:
    cells = frame(run("r01"), ENGINE, [(0.0, 60.0)])
    histogram = exposure.summarise(cells, hot_stop_s=290.0).histograms["time_since_hot_stop"]
    assert histogram.seconds[histogram.edges[:-1] == 240.0][0] == pytest.approx(10.0, abs=0.2)


def test_load_steps_are_found_where_battery_voltage_jumps() -> None:
    time_s = np.arange(0.0, 20.0, 0.01)
    value = 14.0 - 0.5 * (time_s > 8.0) + 0.5 * (time_s > 14.0)
    recording = Recording("r01", 20 * 10**9, {"battery_voltage": Trace(seconds(time_s), value)})
    np.testing.assert_allclose(load_steps(recording, [(0.0, 20.0)]), [8.0, 14.0], atol=0.15)
    assert load_steps(recording, [(0.0, 5.0)]).size == 0


def test_time_since_a_load_switched_is_counted_and_the_step_of_a_stumble_itself_is_none() -> None:
    time_s = np.arange(0.0, 20.0, 0.01)
    value = 14.0 - 0.5 * (time_s > 8.0) - 3.0 * ((time_s > 15.0) & (time_s < 15.3))
    traces = {"battery_voltage": Trace(seconds(time_s), value)}
    recording = Recording("r01", 20 * 10**9, traces, {"tach_pulses": steady_pulses(20.0)})
    told = exposure.of(recording, ENGINE, [(0.0, 20.0)], [stumble("r01", 15.0)])
    histogram = told.histograms["time_since_load_step"]
    assert histogram.bursts[list(histogram.edges[:-1]).index(5.0)] == 1  # 15.0 - 0.7 - 8.0 s
    assert histogram.seconds[0] == pytest.approx(1.0, abs=0.15)  # half a second from the start, and from 8 s


def test_a_hot_stop_is_known_from_the_clock_and_the_coolant_and_not_without_them() -> None:
    recordings = [
        run("r01", degc=(70.0, 92.0), offset_s=0.0),
        run("r02", degc=(85.0, 92.0), offset_s=360.0),
        run("r03", degc=(60.0, 70.0), offset_s=3600.0),
        run("r04", degc=(60.0, 70.0), offset_s=4000.0),
        run("r05", degc=(60.0, 70.0)),
    ]
    of = event(recordings)
    frames = [frame(one, ENGINE, [(0.0, 60.0)]) for one in recordings]
    known = ["time_since_hot_stop" in one.histograms for one in exposure.of_event(of, frames)]
    assert known == [False, True, True, False, False]
    histogram = exposure.of_event(of, frames, {"road": "wet"})[1].histograms["time_since_hot_stop"]
    assert histogram.seconds[histogram.edges[:-1] == 300.0].sum() == pytest.approx(60.0, abs=0.2)


def test_stumbles_of_one_burst_have_its_number() -> None:
    """Each lasts 0.3 s: 8.2 begins 2.9 s after the end of the first, 11.6 begins 3.1 s after that of the second."""
    found = [stumble("r01", 5.0), stumble("r01", 8.2), stumble("r01", 11.6), stumble("r02", 11.7)]
    assert [one.burst for one in numbered(found)] == [1, 1, 2, 3]


def test_the_speed_of_a_burst_is_that_before_it_as_lost_pulses_look_like_a_slow_crank() -> None:
    pulses = steady_pulses(60.0)
    lost = (pulses >= seconds([30.0])) & (pulses < seconds([31.0]))
    of = Recording("r01", 60 * 10**9, {}, {"tach_pulses": pulses[~lost]})
    histogram = exposure.of(of, ENGINE, [(0.0, 60.0)], [stumble("r01", 30.0, 1.0)]).histograms["engine_speed"]
    (cell,) = np.flatnonzero(histogram.bursts)
    assert histogram.edges[cell] == 4000.0
