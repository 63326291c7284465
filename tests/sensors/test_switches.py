"""Key sense and lamp on mock pins."""

import numpy as np
import pytest

from logger.virtualcar.pins import TimedPin
from tests.sensors.bench import KEY, LAMP, MS, NO_ACCELEROMETER, Bench, S, wiring

SETTINGS = wiring(**NO_ACCELEROMETER)


def key_states(bench: Bench) -> list[tuple[int, int]]:
    rows: list[tuple[int, int]] = []
    for batch in bench.batches:
        times, states = batch.states.get("key_sense", (np.empty(0), np.empty(0)))
        rows += zip(times.tolist(), states.tolist(), strict=True)
    return rows


def test_the_first_batch_tells_the_state_at_the_start() -> None:
    bench = Bench(SETTINGS)
    bench.pin(KEY).edge(bench.clock.monotonic_ns(), 1)
    start = bench.clock.monotonic_ns()
    bench.run(0.2)
    ((time_ns, state),) = key_states(bench)
    assert state == 1
    assert time_ns - start < MS


def test_a_turn_of_the_key_carries_the_kernels_time() -> None:
    bench = Bench(SETTINGS)
    bench.run(0.1)
    turned = bench.clock.monotonic_ns() + 33 * MS
    bench.clock.call_at(turned, lambda: bench.pin(KEY).edge(turned, 1))
    bench.run(0.2)
    assert key_states(bench)[1:] == [(turned, 1)]


def test_contact_bounce_is_one_change() -> None:
    bench = Bench(SETTINGS)
    bench.run(0.1)
    turned = bench.clock.monotonic_ns() + 10 * MS
    for offset, level in ((0, 1), (2, 0), (4, 1), (7, 0), (9, 1)):
        bench.pin(KEY).edge(turned + offset * MS, level)
    bench.clock.sleep_until_ns(turned + 20 * MS)
    bench.run(0.2)
    assert key_states(bench)[1:] == [(turned, 1)]


def test_a_level_that_settles_on_the_other_side_after_bouncing_is_not_missed() -> None:
    bench = Bench(SETTINGS)
    bench.run(0.1)
    turned = bench.clock.monotonic_ns() + 10 * MS
    bench.pin(KEY).edge(turned, 1)
    bench.pin(KEY).edge(turned + 5 * MS, 0)
    bench.clock.sleep_until_ns(turned + 20 * MS)
    bench.run(0.2)
    assert [state for _, state in key_states(bench)] == [0, 1, 0]


def test_an_active_low_key_wire_reads_the_other_way_round() -> None:
    bench = Bench(wiring(key_sense={"active": "low", "pull": "up"}, **NO_ACCELEROMETER))
    bench.run(0.1)
    bench.pin(KEY).edge(bench.clock.monotonic_ns(), 0)
    bench.run(0.1)
    assert [state for _, state in key_states(bench)] == [0, 1]


def test_a_key_pin_that_could_not_be_read_for_a_while_leaves_a_gap_of_that_while(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bench = Bench(SETTINGS)
    bench.run(5.0)
    failed_ns = bench.clock.monotonic_ns()

    def refuse(pin: TimedPin) -> int:
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as patch:
        patch.setattr(TimedPin, "_get_state", refuse)
        bench.run(1.0)
    assert bench.health("key_sense").state == "missing"
    bench.run(1.0)
    assert bench.health("key_sense").state == "ok"
    [gap] = bench.gaps()
    assert (gap.channel, "Input/output error" in gap.why) == ("key_sense", True)
    assert gap.from_ns == failed_ns
    assert failed_ns + S <= gap.to_ns < failed_ns + 1200 * MS
    assert [state for _, state in key_states(bench)] == [0]


def lamp_levels(bench: Bench, seconds: float) -> list[int]:
    """The lamp every 20 ms."""
    levels = []
    for _ in range(round(seconds * 50)):
        bench.hardware.poll(bench.clock.monotonic_ns() + 20 * MS)
        levels.append(int(bench.pin(LAMP).state))
    return levels


def changes(levels: list[int]) -> int:
    return int(np.count_nonzero(np.diff(levels)))


def test_the_lamp_is_steady_while_recording() -> None:
    bench = Bench(SETTINGS)
    bench.hardware.show("recording")
    assert set(lamp_levels(bench, 3.0)) == {1}


def test_the_lamp_blinks_slowly_for_a_missing_sensor_and_fast_when_nothing_is_recorded() -> None:
    bench = Bench(SETTINGS)
    bench.hardware.show("sensor_missing")
    slow = changes(lamp_levels(bench, 7.0))
    bench.hardware.show("not_recording")
    fast = changes(lamp_levels(bench, 7.0))
    assert 9 <= slow <= 11  # every 0.7 s
    assert 56 <= fast <= 59  # every 0.12 s


def test_a_signal_is_shown_within_the_same_poll() -> None:
    bench = Bench(SETTINGS)
    bench.hardware.show("sensor_missing")
    bench.hardware.poll(bench.clock.monotonic_ns() + 1 * S)
    bench.hardware.show("recording")
    bench.hardware.poll(bench.clock.monotonic_ns() + 10 * MS)
    assert bench.pin(LAMP).state == 1
