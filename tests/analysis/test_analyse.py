"""The whole analysis on a drive made of arrays: what must never change, and what hardly any signal is needed for."""

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.analysis import analyse
from logger.analysis.findings import Findings
from logger.event import NS_PER_S, Engine, Event, Recording, Trace
from tests.analysis.array_car import NATURAL, Drive

OPENED = [(21.0, 21.2), (27.0, 27.12), (44.0, 44.5)]
FEED = Drive(silent=OPENED).recording()


def findings(*recordings: Recording, engine: Engine = NATURAL) -> Findings:
    return analyse(Event("properties", engine, recordings))


def without(recording: Recording, *channels: str) -> Recording:
    traces = {name: trace for name, trace in recording.traces.items() if name not in channels}
    return replace(recording, traces=traces)


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


def test_three_losses_of_the_feed_are_found_dated_and_named() -> None:
    found = findings(FEED)
    assert [s.onset_s for s in found.stumbles] == pytest.approx([at for at, _ in OPENED], abs=0.015)
    assert {s.cause for s in found.stumbles} == {"ignition_primary"}
    assert {s.sub_cause for s in found.stumbles} == {"feed"}
    assert found.main_cause == "ignition_primary"
    for stumble, (start, stop) in zip(found.stumbles, OPENED, strict=True):
        assert stumble.lost_firings == pytest.approx((stop - start) * 150, rel=0.5)
        assert start <= stumble.engine_onset_s <= start + 0.02
        assert stumble.sentence
        assert stumble.evidence_for


def test_the_findings_are_json_whose_probabilities_add_up() -> None:
    found = json.loads(json.dumps(findings(FEED).as_json(), allow_nan=False))
    for stumble in found["stumbles"]:
        assert sum(stumble["probability"].values()) == pytest.approx(1.0, abs=1e-3)
        assert stumble["first_to_move"] == stumble["order"][0]["channel"]
        assert stumble["onset_s"] <= stumble["engine_onset_s"] <= stumble["end_s"]


@settings(max_examples=5, deadline=None)
@given(by_ms=st.integers(1, 10**9))
def test_shifting_time_changes_nothing_found(by_ms: int) -> None:
    here, there = findings(FEED), findings(shifted(FEED, by_ms * 1_000_000))
    assert [s.cause for s in here.stumbles] == [s.cause for s in there.stumbles]
    moved = [s.onset_s - by_ms / 1000 for s in there.stumbles]
    assert moved == pytest.approx([s.onset_s for s in here.stumbles], abs=1e-4)


@pytest.mark.parametrize("channel", sorted(FEED.traces))
def test_removing_a_channel_never_adds_a_stumble(channel: str) -> None:
    assert len(findings(without(FEED, channel)).stumbles) <= len(OPENED)
    assert findings(without(Drive().recording(), channel)).stumbles == []


def test_the_tach_wire_alone_is_enough_to_find_them() -> None:
    found = findings(without(FEED, *FEED.traces))
    assert [s.onset_s for s in found.stumbles] == pytest.approx([at for at, _ in OPENED], abs=0.015)
    assert any("battery" in sentence for sentence in found.not_judged)


def test_cutting_an_event_between_two_runs_changes_no_cause() -> None:
    whole = findings(FEED)
    parts = findings(*cut(FEED, 36.5))
    assert [s.cause for s in parts.stumbles] == [s.cause for s in whole.stumbles]
    assert [s.recording for s in parts.stumbles] == ["a", "a", "b"]


@pytest.mark.parametrize(
    ("channel", "offset"),
    [("battery_voltage", 0.15), ("ignition_feed_voltage", -0.15), ("fuel_pressure", 6.0), ("throttle_position", 2.0)],
)
def test_a_small_constant_sensor_offset_changes_no_cause(channel: str, offset: float) -> None:
    trace = FEED.traces[channel]
    off = replace(FEED, traces={**FEED.traces, channel: Trace(trace.time_ns, trace.value + offset)})
    assert [s.cause for s in findings(off).stumbles] == ["ignition_primary"] * 3


@pytest.mark.parametrize(("cylinders", "strokes"), [(1, 2), (2, 4), (3, 4), (5, 4), (6, 4), (8, 4)])
def test_a_healthy_drive_stays_clean_with_any_number_of_cylinders(cylinders: int, strokes: int) -> None:
    engine = replace(NATURAL, cylinders=cylinders, strokes=strokes)
    found = Drive(engine=engine).findings()
    assert found.stumbles == []
    assert found.main_cause is None


def test_a_driver_turning_the_key_off_is_no_stumble() -> None:
    assert findings(without(Drive().recording(), "key_sense")).stumbles == []


@pytest.mark.parametrize("pulses", [[], [5 * NS_PER_S]])
def test_no_pulses_or_one_say_that_nothing_could_be_judged(pulses: list[int]) -> None:
    found = findings(replace(FEED, pulses={"tach_pulses": np.array(pulses, np.int64)}))
    assert found.stumbles == []
    assert any("Too few tach pulses" in sentence for sentence in found.not_judged)


def test_empty_channels_are_as_good_as_absent_ones() -> None:
    nothing = Trace(np.empty(0, np.int64), np.empty(0))
    vector = Trace(np.empty(0, np.int64), np.empty((0, 3)))
    empty = {name: vector if name == "acceleration" else nothing for name in FEED.traces}
    found = findings(replace(FEED, traces=empty))
    assert [s.onset_s for s in found.stumbles] == pytest.approx([at for at, _ in OPENED], abs=0.015)


def test_duplicated_times_change_nothing() -> None:
    pulses = np.sort(np.concatenate((FEED.pulses["tach_pulses"], FEED.pulses["tach_pulses"][::7])))
    found = findings(replace(FEED, pulses={"tach_pulses": pulses}))
    assert [s.cause for s in found.stumbles] == ["ignition_primary"] * 3


def test_three_seconds_of_idling_are_quiet() -> None:
    _, idling = cut(Drive().recording(), 8.0)
    three, _ = cut(idling, 3.0)
    assert findings(three).stumbles == []


def test_an_event_without_recordings_is_empty() -> None:
    assert findings().stumbles == []
    assert findings().main_cause is None


def test_progress_rises_to_one() -> None:
    seen: list[float] = []
    analyse(Event("progress", NATURAL, (FEED, replace(FEED, name="r02"))), progress=seen.append)
    assert seen == sorted(seen)
    assert seen[-1] == 1.0
