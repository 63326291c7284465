"""Batches become seconds: on the recording's own time, rounded to what it is worth."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger import settings
from logger.event import NS_PER_S, Gap
from logger.recorder.cutter import Cutter, channels_of
from logger.sensors.batch import Batch, Levels
from logger.store.blocks import Series

ZERO = 100 * NS_PER_S
CHANNELS = channels_of(settings.default())
NAMES = [channel.name for channel in CHANNELS]


def batch(**more: object) -> Batch:
    return Batch(**{"samples": {}, "pulses": {}, "states": {}, "levels": None, "gaps": (), "health": (), **more})  # type: ignore[arg-type]


def at(*seconds: float) -> np.ndarray:
    return ZERO + np.array([round(s * 1e9) for s in seconds], dtype=np.int64)


def only(cutter: Cutter, name: str, index: int = 0) -> Series:
    [series] = [item for item in cutter.take(index).series if NAMES[item.channel] == name]
    return series


@pytest.fixture
def cutter() -> Cutter:
    return Cutter(CHANNELS, ZERO)


def test_sampled_times_are_rounded_to_a_tenth_of_a_millisecond(cutter: Cutter) -> None:
    cutter.add(batch(samples={"fuel_pressure": (at(0.01004, 0.02006), np.array([7, 8], np.int16))}))
    series = only(cutter, "fuel_pressure")
    assert series.time_ns.tolist() == [10_000_000, 20_100_000]
    assert series.raw is not None
    assert series.raw.tolist() == [7, 8]


def test_pulse_times_are_rounded_to_a_microsecond(cutter: Cutter) -> None:
    cutter.add(batch(pulses={"tach_pulses": at(0.0100004, 0.0166666)}))
    assert only(cutter, "tach_pulses").time_ns.tolist() == [10_000_000, 16_667_000]


def test_what_came_before_the_start_is_left_out(cutter: Cutter) -> None:
    cutter.add(batch(samples={"fuel_pressure": (at(-0.5, 0.5), np.array([7, 8], np.int16))}))
    cutter.add(batch(pulses={"tach_pulses": at(-0.25)}))
    assert [(item.channel, item.time_ns.tolist()) for item in cutter.take(0).series] == [
        (NAMES.index("fuel_pressure"), [500_000_000])
    ]


def test_the_key_is_said_again_at_the_start_of_every_second(cutter: Cutter) -> None:
    cutter.add(batch(states={"key_sense": (at(-3.0), np.array([1], np.int8))}))
    assert only(cutter, "key_sense", 0).time_ns.tolist() == [0]
    assert only(cutter, "key_sense", 1).time_ns.tolist() == [NS_PER_S]
    cutter.add(batch(states={"key_sense": (at(2.5), np.array([0], np.int8))}))
    series = only(cutter, "key_sense", 2)
    assert series.time_ns.tolist() == [2 * NS_PER_S, 2_500_000_000]
    assert series.raw is not None
    assert series.raw.tolist() == [1, 0]
    assert only(cutter, "key_sense", 3).raw.tolist() == [0]  # type: ignore[union-attr]


def test_a_late_change_of_the_key_is_not_followed_by_the_old_state(cutter: Cutter) -> None:
    cutter.add(batch(states={"key_sense": (at(0.0), np.array([1], np.int8))}))
    cutter.take(0)
    cutter.add(batch(states={"key_sense": (at(0.9), np.array([0], np.int8))}))
    series = only(cutter, "key_sense", 1)
    assert (series.time_ns.tolist(), series.raw.tolist()) == ([900_000_000], [0])  # type: ignore[union-attr]


def test_a_change_that_a_late_tick_took_into_the_second_before_is_not_preceded_by_its_repetition(
    cutter: Cutter,
) -> None:
    cutter.add(batch(states={"key_sense": (at(1.003), np.array([1], np.int8))}))
    assert only(cutter, "key_sense", 0).time_ns.tolist() == [1_003_000_000]
    assert cutter.take(1).series == ()
    cutter.add(batch(states={"key_sense": (at(2.4), np.array([0], np.int8))}))
    assert only(cutter, "key_sense", 2).time_ns.tolist() == [2 * NS_PER_S, 2_400_000_000]


def test_gaps_are_moved_onto_the_recordings_time(cutter: Cutter) -> None:
    cutter.add(batch(gaps=(Gap("fuel_pressure", ZERO - 5, ZERO + 7, "wire off"),)))
    assert cutter.take(0).gaps == (Gap("fuel_pressure", 0, 7, "wire off"),)


def test_a_channel_that_gave_nothing_is_absent(cutter: Cutter) -> None:
    cutter.add(batch())
    assert cutter.take(0).series == ()


def test_with_every_sample_stored_the_levels_are_not_stored_again() -> None:
    assert "acceleration" in NAMES
    assert not {"vibration_rms", "vibration_peak"} & set(NAMES)


def test_without_the_samples_the_levels_of_the_resultant_are_stored() -> None:
    wiring = settings.default()
    levels_only = replace(wiring, accelerometer=replace(wiring.accelerometer, store_raw=False))
    channels = channels_of(levels_only)
    names = [channel.name for channel in channels]
    assert "acceleration" not in names
    cutter = Cutter(channels, ZERO)
    rms = np.array([[0.1, 0.2, 0.3, 0.37416]], np.float32)
    peak = np.array([[1.0, 1.5, 2.0, 2.5]], np.float32)
    cutter.add(batch(levels=Levels(at(0.05), rms, peak)))
    stored = {names[item.channel]: (item.time_ns.tolist(), item.raw.tolist()) for item in cutter.take(0).series}  # type: ignore[union-attr]
    assert stored == {"vibration_rms": ([50_000_000], [0.374]), "vibration_peak": ([50_000_000], [2.5])}


@given(st.lists(st.tuples(st.integers(1, 3_000), st.lists(st.integers(0, 3_000), max_size=3)), min_size=1, max_size=12))
def test_whatever_ticks_are_late_and_whenever_the_key_turns_time_never_runs_backwards(
    ticks: list[tuple[int, list[int]]],
) -> None:
    """Each tick: how long it took, and when in it the key turned, in ms."""
    cutter = Cutter(CHANNELS, ZERO)
    number, now_ms, taken, last_ns, state = NAMES.index("key_sense"), 990, 0, 0, 0
    for took_ms, turns in ticks:
        times = sorted(now_ms + turn % took_ms for turn in turns)
        now_ms += took_ms
        if times:
            states = [(state + k + 1) % 2 for k in range(len(times))]
            state = states[-1]
            cutter.add(batch(states={"key_sense": (at(*(t / 1000 for t in times)), np.array(states, np.int8))}))
        index = now_ms // 1000
        if index > taken:
            for series in cutter.take(index - 1).series:
                assert series.channel == number
                assert int(series.time_ns[0]) >= last_ns
                assert (np.diff(series.time_ns) >= 0).all()
                last_ns = int(series.time_ns[-1])
            taken = index
