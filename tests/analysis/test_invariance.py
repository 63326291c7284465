"""What must not change what is found, on a day with three different faults and on days without any."""

import json
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.analysis import analyse
from logger.analysis.findings import Findings
from logger.event import NS_PER_S, Event, Recording, Trace
from tests.analysis.array_car import END_S, NATURAL, Drive, profile
from tests.analysis.test_analyse import without
from tests.analysis.test_robust import limited, shaken

CAUSES = ["ignition_primary", "ignition_primary", "fuel_delivery", "ignition_secondary"]


def found_in(*recordings: Recording) -> Findings:
    return analyse(Event("invariance", NATURAL, recordings))


def shifted(recording: Recording, by_ns: int) -> Recording:
    return replace(
        recording,
        duration_ns=recording.duration_ns + by_ns,
        traces={name: Trace(trace.time_ns + by_ns, trace.value) for name, trace in recording.traces.items()},
        pulses={name: time + by_ns for name, time in recording.pulses.items()},
    )


def cut(recording: Recording, at_s: float) -> tuple[Recording, Recording]:
    """The recording in two, the second counting its time from the cut."""
    at = int(at_s * NS_PER_S)
    before = Recording(
        "a",
        at,
        {n: Trace(t.time_ns[t.time_ns < at], t.value[t.time_ns < at]) for n, t in recording.traces.items()},
        {n: p[p < at] for n, p in recording.pulses.items()},
    )
    after = Recording(
        "b",
        recording.duration_ns - at,
        {n: Trace(t.time_ns[t.time_ns >= at] - at, t.value[t.time_ns >= at]) for n, t in recording.traces.items()},
        {n: p[p >= at] - at for n, p in recording.pulses.items()},
    )
    return before, after


@cache
def broken() -> Recording:
    """The coil's feed opens at 21 and 44 s, the rail loses half of its pressure at 48.5 s, sparks fail at 53 s."""
    recording = Drive(silent=[(21.0, 21.2), (44.0, 44.5)]).recording()
    rail, tach = recording.traces["fuel_pressure"], recording.pulses["tach_pulses"]
    low = (rail.time_ns > 48.5 * NS_PER_S) & (rail.time_ns < 49.5 * NS_PER_S)
    failed = (tach > 53.0 * NS_PER_S) & (tach < 53.2 * NS_PER_S)
    return replace(
        recording,
        traces={**recording.traces, "fuel_pressure": replace(rail, value=np.where(low, 90.0, rail.value))},
        pulses={**recording.pulses, "spark_pulses": tach[~failed] + 30_000},
    )


def told(found: Findings, minus_s: float = 0.0) -> list[tuple[Any, ...]]:
    """Of each stumble when and for how long, s, why and how surely, in what the engine felt it."""
    return [
        (
            round(s.onset_s - minus_s, 3),
            round(s.end_s - minus_s, 3),
            s.cause,
            s.sub_cause,
            round(s.probability[s.cause], 2),
            s.first_to_move,
            s.effect,
            s.lost_firings,
        )
        for s in found.stumbles
    ]


@cache
def as_it_is() -> list[tuple[Any, ...]]:
    return told(found_in(broken()))


def test_three_faults_in_one_recording_are_each_named() -> None:
    assert [s.cause for s in found_in(broken()).stumbles] == CAUSES


@settings(derandomize=True, max_examples=5, deadline=None)
@given(by_ms=st.integers(1, 10**7))
def test_time_may_begin_anywhere(by_ms: int) -> None:
    assert told(found_in(shifted(broken(), by_ms * 1_000_000)), by_ms / 1000) == as_it_is()


@settings(derandomize=True, max_examples=5, deadline=None)
@given(at_s=st.floats(35.2, 37.8))
def test_an_event_cut_anywhere_between_its_runs_keeps_every_cause(at_s: float) -> None:
    parts = found_in(*cut(broken(), at_s))
    assert [s.cause for s in parts.stumbles] == CAUSES
    assert [s.recording for s in parts.stumbles] == ["a", "b", "b", "b"]


OFFSETS = {
    "battery_voltage": 0.15,
    "ignition_feed_voltage": 0.15,
    "sensor_supply_voltage": 0.03,
    "fuel_pressure": 6.0,
    "throttle_position": 2.0,
    "coolant_temperature": 3.0,
    "acceleration": 0.05,
}


@settings(derandomize=True, max_examples=14, deadline=None)
@given(channel=st.sampled_from(sorted(OFFSETS)), share=st.floats(-1.0, 1.0))
def test_a_sensor_that_reads_a_little_high_or_low_changes_no_cause(channel: str, share: float) -> None:
    recording = broken()
    trace = recording.traces[channel]
    off = {**recording.traces, channel: Trace(trace.time_ns, trace.value + share * OFFSETS[channel])}
    assert [s.cause for s in found_in(replace(recording, traces=off)).stumbles] == CAUSES


def dipping() -> Drive:
    """The battery dips by 2 V for a tenth of a second while the engine fires on."""
    battery = Drive().recording().traces["battery_voltage"]
    dip = np.where(np.abs(battery.time_ns / NS_PER_S - 21.0) < 0.05, 2.0, 0.0)
    return Drive(changes={"battery_voltage": Trace(battery.time_ns, battery.value - dip)})


def starving() -> Drive:
    """The rail loses all of its pressure behind a shut throttle, at 46.5 s for a second."""
    rail = Drive().recording().traces["fuel_pressure"]
    low = np.abs(rail.time_ns / NS_PER_S - 47.0) < 0.5
    return Drive(changes={"fuel_pressure": Trace(rail.time_ns, np.where(low, 90.0, rail.value))})


def knocked() -> Drive:
    return Drive(changes={"acceleration": shaken(knocks_s=(22.7, 26.6, 46.8))})


def weakly_charged() -> Drive:
    """Nine volts at the battery for twenty seconds: enough for a coil, at which they are half a volt less."""
    traces = Drive().recording().traces
    battery, feed = traces["battery_voltage"], traces["ignition_feed_voltage"]
    sag = np.interp(battery.time_ns / NS_PER_S, [13.0, 16.0, 34.0, 37.0], [0.0, 4.9, 4.9, 0.0])
    return Drive(
        changes={
            "battery_voltage": Trace(battery.time_ns, battery.value - sag),
            "ignition_feed_voltage": Trace(feed.time_ns, feed.value - sag),
        }
    )


def behind_a_resistor() -> Drive:
    """The coil's feed reads 8 V all day, as it does behind a ballast resistor."""
    feed = Drive().recording().traces["ignition_feed_voltage"]
    return Drive(changes={"ignition_feed_voltage": Trace(feed.time_ns, 0.6 * feed.value)})


HEALTHY: dict[str, Callable[[], Drive]] = {
    "plain": Drive, "limited": limited, "dipping": dipping, "knocked": knocked, "starving": starving,
    "weak": weakly_charged, "ballast": behind_a_resistor,
}  # fmt: skip


@pytest.mark.parametrize("channel", sorted(OFFSETS | {"key_sense": 0.0}))
def test_removing_a_channel_adds_no_stumble_to_a_broken_car_nor_to_healthy_ones_with_oddities(channel: str) -> None:
    before = np.array([21.0, 44.0, 48.5, 53.0])
    for stumble in found_in(without(broken(), channel)).stumbles:
        assert np.abs(before - stumble.onset_s).min() < 0.1
    for name, car in HEALTHY.items():
        assert (name, found_in(without(car().recording(), channel)).stumbles) == (name, [])


@settings(derandomize=True, max_examples=10, deadline=None)
@given(
    idle_rpm=st.integers(550, 2200),
    redline_over_idle=st.floats(4.5, 9.0),
    cylinders=st.integers(1, 12),
    strokes=st.sampled_from([2, 4]),
)
def test_a_healthy_drive_stays_clean_at_any_idle_redline_and_number_of_cylinders(
    idle_rpm: int, redline_over_idle: float, cylinders: int, strokes: int
) -> None:
    """The same drive from another idle to another redline; a starter turns every engine at 200 rev/min."""
    time, rpm, throttle = profile()
    redline = idle_rpm * redline_over_idle
    scaled = np.interp(rpm, [0.0, 210.0, 900.0, 6500.0], [0.0, 210.0, idle_rpm, redline])
    engine = replace(NATURAL, idle_rpm=idle_rpm, redline_rpm=redline, cylinders=cylinders, strokes=strokes)
    found = Drive(engine=engine, time=time, rpm=scaled, throttle=throttle).findings()
    assert found.stumbles == []
    assert found.main_cause is None


def few(count: int) -> Recording:
    return replace(broken(), pulses={"tach_pulses": np.arange(1, count + 1, dtype=np.int64) * 20_000_000})


@pytest.mark.parametrize("count", [0, 1, 2, 3, 4, 10])
def test_a_handful_of_pulses_finds_nothing(count: int) -> None:
    found = found_in(few(count))
    assert found.stumbles == []
    assert found.main_cause is None
    json.dumps(found.as_json(), allow_nan=False)


@settings(derandomize=True, max_examples=5, deadline=None)
@given(every=st.integers(3, 40), seed=st.integers(0, 100))
def test_repeated_pulse_times_and_a_disordered_tach_wire_change_nothing(every: int, seed: int) -> None:
    """Capture files whose times run backwards are refused on import; the tach wire's edges are sorted here besides."""
    recording = broken()
    twice = {name: np.sort(np.concatenate((time, time[::every]))) for name, time in recording.pulses.items()}
    mixed = twice | {"tach_pulses": np.random.default_rng(seed).permutation(twice["tach_pulses"])}
    for pulses in (twice, mixed):
        assert told(found_in(replace(recording, pulses=pulses))) == as_it_is()


@settings(derandomize=True, max_examples=10, deadline=None)
@given(from_s=st.floats(0.0, END_S - 3.0))
def test_three_seconds_of_a_healthy_drive_are_quiet_wherever_they_are_taken_from(from_s: float) -> None:
    _, later = cut(Drive().recording(), from_s)
    three, _ = cut(later, 3.0)
    assert found_in(three).stumbles == []


def test_channels_without_a_single_value_are_as_good_as_absent_ones() -> None:
    recording = broken()
    blank = {
        n: Trace(t.time_ns, np.full_like(t.value, np.nan)) for n, t in recording.traces.items() if n != "key_sense"
    }
    found = found_in(replace(recording, traces=blank))
    bare = found_in(replace(recording, traces={}))
    assert [(s.cause, s.onset_s) for s in found.stumbles] == [(s.cause, s.onset_s) for s in bare.stumbles]
    assert len(found.stumbles) == 3  # all but the rail
