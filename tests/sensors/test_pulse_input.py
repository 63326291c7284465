"""Edge-timed inputs: kernel times to the nanosecond, stalls, noise, dead time."""

from datetime import timedelta

import numpy as np
import pytest
from gpiozero import InputDevice
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.virtualcar.clock import BOOTED_UTC
from tests.sensors.bench import FOUR, KEY, MS, NO_ACCELEROMETER, TACH, Bench, S, wiring

SETTINGS = wiring(*FOUR, **NO_ACCELEROMETER)
ONLY_TACH = wiring(**NO_ACCELEROMETER)


def pulse_train(bench: Bench, rate_hz: float, seconds: float) -> list[int]:
    """Let pulses come at that rate from now on; their exact times."""
    start_ns = bench.clock.monotonic_ns() + MS
    times = [start_ns + round(k * S / rate_hz) for k in range(round(rate_hz * seconds))]

    def play(k: int) -> None:
        bench.pin(TACH).pulse(times[k], 20_000, 0)
        if k + 1 < len(times):
            bench.clock.call_at(times[k + 1], lambda: play(k + 1))

    bench.clock.call_at(times[0], lambda: play(0))
    return times


@pytest.mark.parametrize("rate_hz", [10, 333, 1000])
def test_every_pulse_arrives_with_its_exact_time(rate_hz: float) -> None:
    bench = Bench(ONLY_TACH)
    bench.run(0.1)
    times = pulse_train(bench, rate_hz, 2.0)
    bench.run(2.2)
    assert bench.pulses("tach_pulses").tolist() == times


def test_a_stall_of_500_ms_at_1000_pulses_a_second_loses_none() -> None:
    bench = Bench(SETTINGS)
    bench.run(0.1)
    times = pulse_train(bench, 1000, 3.0)
    bench.run(1.0)
    bench.pin(TACH).stall()
    bench.clock.spend(500 * MS)
    bench.pin(TACH).resume()
    bench.run(2.0)
    assert bench.pulses("tach_pulses").tolist() == times
    assert bench.health("tach_pulses").state == "ok"
    assert "tach_pulses" not in {gap.channel for gap in bench.gaps()}


def test_noise_at_20_khz_disarms_the_input_and_the_gaps_are_recorded() -> None:
    bench = Bench(SETTINGS)
    bench.run(0.1)
    bench.run(0.1)
    pulse_train(bench, 20_000, 2.0)
    bench.run(2.0)
    assert bench.health("tach_pulses").state == "noisy"
    assert bench.health("tach_pulses").message.startswith("more than 5000 edges a second")
    bench.run(1.0)
    gaps = bench.gaps()
    assert {gap.channel for gap in gaps} == {"tach_pulses"}
    assert len(gaps) >= 3
    assert all(500 * MS <= gap.to_ns - gap.from_ns < 620 * MS for gap in gaps)
    assert bench.health("tach_pulses").state == "ok"


def test_no_gap_reaches_over_an_edge_that_is_handed_out_however_seldom_one_asks() -> None:
    bench = Bench(ONLY_TACH)
    bench.run(0.1)
    pulse_train(bench, 20_000, 4.0)
    for _ in range(4):
        bench.batches.append(bench.hardware.poll(bench.clock.monotonic_ns() + S))
    gaps, times = bench.gaps(), bench.pulses("tach_pulses")
    assert len(gaps) == 7
    for gap in gaps:
        assert 500 * MS <= gap.to_ns - gap.from_ns < 510 * MS
        assert not ((times > gap.from_ns) & (times < gap.to_ns)).any()


def test_noise_at_20_khz_costs_a_bounded_number_of_edges_and_leaves_the_adc_its_timing() -> None:
    bench = Bench(SETTINGS)
    bench.run(0.1)
    pulse_train(bench, 20_000, 5.0)
    bench.run(5.0)
    health = bench.health("tach_pulses")
    # 250 edges to see it, then half a second of rest: of 100,000 edges no more than ten times that are handled.
    assert health.samples + health.errors <= 10 * 251
    late = [health.peak_late_ms for batch in bench.batches[2:] for health in batch.health if health.part == "adc 0x48"]
    assert max(late) < 2.0


def test_pulses_go_on_after_the_noise_has_ended() -> None:
    bench = Bench(ONLY_TACH)
    bench.run(0.1)
    pulse_train(bench, 20_000, 0.1)
    bench.run(1.0)
    times = pulse_train(bench, 200, 1.0)
    bench.run(1.2)
    assert bench.pulses("tach_pulses")[-200:].tolist() == times


def test_a_short_burst_of_ringing_does_not_disarm_the_input() -> None:
    bench = Bench(ONLY_TACH)
    bench.run(0.1)
    pulse_train(bench, 50_000, 0.002)
    bench.run(0.2)
    assert bench.health("tach_pulses").state == "ok"


def test_ringing_within_the_dead_time_is_taken_out_and_counted() -> None:
    bench = Bench(ONLY_TACH)
    bench.run(0.1)
    start = bench.clock.monotonic_ns()
    for offset in (0, 60_000, 120_000, 5 * MS, 5 * MS + 190_000, 10 * MS):
        bench.pin(TACH).pulse(start + offset, 10_000, 0)
    bench.run(0.1)
    assert (bench.pulses("tach_pulses") - start).tolist() == [0, 5 * MS, 10 * MS]
    assert bench.health("tach_pulses").errors == 3


@settings(max_examples=50, deadline=None)
@given(
    st.lists(st.integers(770_000, 20_000_000), min_size=1, max_size=40),
    st.lists(st.tuples(st.integers(0, 39), st.integers(1_000, 180_000)), max_size=40),
)
def test_dead_time_never_swallows_a_real_pulse_below_the_redline(
    intervals: list[int], ringing: list[tuple[int, int]]
) -> None:
    # 770 us is a quarter of the interval between pulses of a six-cylinder at 6,500 rpm.
    bench = Bench(ONLY_TACH)
    bench.run(0.1)
    real = bench.clock.monotonic_ns() + np.cumsum(intervals)
    after = [int(real[k % real.size]) + delay for k, delay in ringing]
    for time_ns in sorted({*real.tolist(), *after}):
        bench.pin(TACH).pulse(time_ns, 500, 0)
    bench.clock.sleep_until_ns(int(real[-1]) + 30 * MS)
    bench.run(0.1)
    assert set(real.tolist()) <= set(bench.pulses("tach_pulses").tolist())


def test_a_rising_edge_can_be_the_pulse() -> None:
    bench = Bench(wiring(tach={"pin": TACH, "edge": "rising", "pull": "down"}, **NO_ACCELEROMETER))
    bench.run(0.1)
    now = bench.clock.monotonic_ns()
    bench.pin(TACH).pulse(now, 30_000, 1)
    bench.run(0.1)
    assert bench.pulses("tach_pulses").tolist() == [now]


def test_a_pin_that_somebody_else_has_is_named_and_taken_once_it_is_free() -> None:
    bench = Bench(SETTINGS)
    other = InputDevice(TACH, pin_factory=bench.pins)
    bench.run(1.0)
    health = bench.health("tach_pulses")
    assert health.state == "missing"
    assert "already in use" in health.message
    assert abs(bench.samples("battery_voltage")[0].size - 100) <= 1
    other.close()
    bench.run(2.0)
    assert bench.health("tach_pulses").state == "ok"


def test_the_gap_of_a_pin_that_was_taken_ends_when_it_is_opened_and_says_why_not_at_the_next_pulse() -> None:
    bench = Bench(wiring(key_sense={"fitted": True, "pin": KEY}, **NO_ACCELEROMETER))
    others = [InputDevice(pin, pin_factory=bench.pins) for pin in (TACH, KEY)]
    bench.run(2.0)
    freed_ns = bench.clock.monotonic_ns()
    for other in others:
        other.close()
    bench.run(8.0)
    bench.pin(TACH).pulse(bench.clock.monotonic_ns(), 20_000, 0)
    bench.run(0.1)
    gaps = {gap.channel: gap for gap in bench.gaps()}
    assert set(gaps) == {"tach_pulses", "key_sense"}
    for gap in gaps.values():
        assert gap.from_ns == 30 * S
        assert freed_ns <= gap.to_ns <= freed_ns + 5 * S
        assert "already in use" in gap.why


def test_edges_on_the_monotonic_clock_are_recognised() -> None:
    bench = Bench(ONLY_TACH)
    bench.run(0.1)
    bench.pin(TACH).pulse(bench.clock.monotonic_ns(), 1000, 0)
    bench.run(0.1)
    assert bench.health("tach_pulses").details["edge_clock"] == "monotonic"


def wall_ns(bench: Bench) -> int:
    return round(bench.clock.utc_now().timestamp() * 1e6) * 1000


def test_edges_on_the_wall_clock_are_recognised_and_moved_to_monotonic_time() -> None:
    bench = Bench(ONLY_TACH)
    bench.run(0.1)
    expected = bench.clock.monotonic_ns()
    bench.pin(TACH).pulse(wall_ns(bench), 1000, 0)
    bench.run(0.1)
    assert bench.health("tach_pulses").details["edge_clock"] == "wall"
    assert bench.pulses("tach_pulses")[0] == pytest.approx(expected, abs=2000)


def test_a_step_of_the_wall_clock_moves_no_pulse() -> None:
    bench = Bench(ONLY_TACH)
    bench.run(0.1)
    expected = []
    for year in (2026, 1970, 2031):
        bench.clock.set_utc(BOOTED_UTC.replace(year=year) + timedelta(days=3))
        expected.append(bench.clock.monotonic_ns())
        bench.pin(TACH).pulse(wall_ns(bench), 1000, 0)
        bench.run(0.1)
    assert np.abs(bench.pulses("tach_pulses") - np.array(expected)).max() < 2000


def test_edges_on_no_known_clock_are_reported_rather_than_guessed() -> None:
    bench = Bench(ONLY_TACH)
    bench.run(0.1)
    bench.pin(TACH).pulse(10**15, 1000, 0)
    bench.run(0.1)
    assert bench.pulses("tach_pulses").size == 0
    assert "no clock that is known" in bench.health("tach_pulses").message


def test_presses_of_the_mark_button_are_pulses_too_and_bounce_is_one_press() -> None:
    bench = Bench(ONLY_TACH)
    bench.run(0.1)
    start = bench.clock.monotonic_ns()
    for offset in (0, 3 * MS, 8 * MS):
        bench.pin(22).pulse(start + offset, MS, 0)
    bench.run(0.1)
    assert bench.pulses("driver_marks").tolist() == [start]


def test_a_bus_that_hangs_for_seconds_costs_no_pulse_and_its_gaps_are_named() -> None:
    bench = Bench(SETTINGS)
    bench.run(1.0)
    times = pulse_train(bench, 333, 4.0)
    bench.run(0.5)
    bench.bus.hung = True
    bench.run(2.0)
    bench.bus.hung = False
    bench.run(7.0)
    assert bench.pulses("tach_pulses").tolist() == times
    for channel in FOUR:
        name = str(channel["name"])
        taken, _ = bench.samples(name)
        hole = int(np.argmax(np.diff(taken)))
        assert taken[hole + 1] - taken[hole] >= 2 * S
        [gap] = [gap for gap in bench.gaps() if gap.channel == name]
        assert gap.from_ns <= taken[hole] + 10 * MS
        assert gap.to_ns >= taken[hole + 1] - 10 * MS
