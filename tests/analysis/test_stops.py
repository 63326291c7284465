"""Why the engine stopped."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis import analyse
from logger.analysis.findings import Findings
from logger.event import Event, FloatArray, Trace
from tests.analysis.array_car import END_S, Drive, nanoseconds


def found_with(drive: Drive, **changes: Trace) -> Findings:
    recording = drive.recording()
    traces = {name: trace for name, trace in (recording.traces | changes).items() if trace.time_ns.size}
    return analyse(Event("stops", drive.engine, (replace(recording, traces=traces),)))


def starter(drive: Drive, at_s: float) -> Trace:
    """The battery, drawn down by a starter for 0.7 s."""
    battery = drive.recording().traces["battery_voltage"]
    time = battery.time_ns / 1e9
    return Trace(battery.time_ns, np.where((time > at_s) & (time < at_s + 0.7), 10.0, battery.value))


def lurch(at_s: float) -> Trace:
    """A car at rest, jerked forward by half a g for 60 ms."""
    time = np.arange(0.0, END_S, 0.005)
    push = np.where((time > at_s) & (time < at_s + 0.06), 0.5, 0.0)
    noise = np.random.default_rng(8).normal((0, 0, 1), 0.02, (time.size, 3))
    return Trace(nanoseconds(time), noise + np.column_stack((push, 0 * push, 0 * push)))


def test_pulses_that_end_at_idle_and_a_starter_are_an_engine_that_died() -> None:
    drive = Drive(silent=[(11.0, 12.6)])
    found = found_with(drive, battery_voltage=starter(drive, 11.9))
    assert [(s.effect, s.lowest_speed_ratio) for s in found.stumbles] == [("stall", 0.0)]
    assert found.stumbles[0].engine_onset_s == pytest.approx(11.0, abs=0.05)


def test_the_same_with_a_lurch_is_the_drivers_stall() -> None:
    drive = Drive(silent=[(11.0, 12.6)])
    feed = Drive().recording().traces["ignition_feed_voltage"]
    changes = {"battery_voltage": starter(drive, 11.9), "ignition_feed_voltage": feed, "acceleration": lurch(10.98)}
    found = found_with(drive, **changes)
    assert found.stumbles == []
    assert any("clutch" in rejected["why"] for rejected in found.rejected)


def test_an_engine_that_cranks_and_does_not_start_is_listed_with_what_was_seen() -> None:
    drive = Drive()
    recording = drive.recording()
    cranking = recording.pulses["tach_pulses"]
    cranking = cranking[(cranking > 2_000_000_000) & (cranking < 3_300_000_000)]
    found = analyse(Event("start", drive.engine, (replace(recording, pulses={"tach_pulses": cranking}),)))
    (start,) = found.failed_starts
    assert start.pulses_seen
    assert start.battery_voltage_v == pytest.approx(10.2, abs=0.1)
    assert found.stumbles == []


def test_a_recording_that_ends_while_the_engine_runs_says_nothing_about_it() -> None:
    recording = Drive().recording()
    until = 30_000_000_000

    def before(values: FloatArray, time_ns: FloatArray) -> FloatArray:
        return values[time_ns < until]

    traces = {n: Trace(t.time_ns[t.time_ns < until], before(t.value, t.time_ns)) for n, t in recording.traces.items()}
    pulses = {n: p[p < until] for n, p in recording.pulses.items()}
    found = analyse(
        Event("end", Drive().engine, (replace(recording, duration_ns=until, traces=traces, pulses=pulses),))
    )
    assert found.stumbles == []


def test_an_idle_without_pulses_for_over_a_second_was_a_crank_that_stood() -> None:
    # The battery is so flat that the starter's draw hardly shows; the feed and the rail hold.
    drive = Drive(silent=[(11.0, 12.6)])
    feed = Drive().recording().traces["ignition_feed_voltage"]
    found = found_with(drive, ignition_feed_voltage=feed, acceleration=lurch(10.98))
    assert found.stumbles == []
    assert any("clutch" in rejected["why"] for rejected in found.rejected)


def test_without_acceleration_a_stop_at_idle_that_nothing_explains_is_not_held_against_the_car() -> None:
    drive = Drive(silent=[(11.0, 12.6)])
    feed = Drive().recording().traces["ignition_feed_voltage"]
    nothing = Trace(np.empty(0, np.int64), np.empty((0, 3)))
    found = found_with(
        drive, battery_voltage=starter(drive, 11.9), ignition_feed_voltage=feed, key_sense=feed, acceleration=nothing
    )
    assert found.stumbles == []
    assert any("driver's stall" in rejected["why"] for rejected in found.rejected)
