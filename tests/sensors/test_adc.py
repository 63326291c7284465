"""The ADC cycle, on emulated chips under the untouched driver."""

import numpy as np
import pytest

from tests.sensors.bench import FOUR, MS, NO_ACCELEROMETER, SECOND, Bench, S, wiring

SETTINGS = wiring(*FOUR, **NO_ACCELEROMETER)
NAMES = [str(channel["name"]) for channel in FOUR]


def test_every_channel_reads_its_own_input() -> None:
    bench = Bench(SETTINGS)
    bench.run(0.5)
    for number, name in enumerate(NAMES):
        _, counts = bench.samples(name)
        assert (counts == round((number + 0.5) / 125e-6)).all()


def test_every_channel_comes_at_its_rate_with_a_millisecond_of_jitter() -> None:
    bench = Bench(SETTINGS)
    bench.run(2.0)
    for name in NAMES:
        times, _ = bench.samples(name)
        assert abs(times.size - 200) <= 1
        assert np.abs(np.diff(times) - 10 * MS).max() < 1 * MS


def test_a_sample_is_stamped_in_the_middle_of_its_conversion() -> None:
    bench = Bench(SETTINGS)
    bench.volts = lambda n, t: (t - 30 * S) / S  # the input tells the time: one volt for each second
    bench.run(1.0)
    times, counts = bench.samples(NAMES[0])
    assert np.abs((times - 30 * S) / S - counts * 125e-6).max() < 0.0003


def test_no_step_waits_for_a_conversion() -> None:
    bench = Bench(SETTINGS)
    bench.run(0.2)
    chip = bench.hardware._chips[0]
    for _ in range(50):
        bench.clock.sleep_until_ns(chip.due_ns)
        before = bench.clock.monotonic_ns()
        chip.step()
        assert bench.clock.monotonic_ns() - before < 0.6 * MS  # a conversion takes 1.16 ms


def test_two_chips_convert_side_by_side() -> None:
    bench = Bench(wiring(*FOUR, *SECOND, **NO_ACCELEROMETER))
    bench.run(2.0)
    times, counts = bench.samples("engine_ground_drop")
    assert (counts == 21600).all()  # 2.7 V
    assert abs(times.size - 200) <= 1
    assert all(health.missed == 0 for health in bench.batches[-1].health)


def test_a_slow_channel_alone_on_its_chip_is_handed_out_soon_after_its_conversion() -> None:
    bench = Bench(wiring({"name": "engine_ground_drop", "chip": 0x49, "input": 1, "rate_hz": 1.0}, **NO_ACCELEROMETER))
    bench.run(0.1)
    assert bench.samples("engine_ground_drop")[1].tolist() == [13600]  # 1.7 V


@pytest.mark.parametrize(("bits", "model"), [(16, "ADS1115"), (12, "ADS1015")])
def test_the_chip_really_fitted_is_told_by_its_low_bits(bits: int, model: str) -> None:
    bench = Bench(SETTINGS, bits=bits)
    bench.volts = lambda n, t: 1.0001 + n + (t % 7) * 1e-4
    bench.run(1.0)
    assert bench.health("adc 0x48").details["model"] == model


def test_a_twelve_bit_chip_reads_the_same_volts() -> None:
    bench = Bench(SETTINGS, bits=12)
    bench.run(0.2)
    assert (bench.samples(NAMES[1])[1] == 12000).all()  # 1.5 V


def test_a_small_negative_voltage_stays_negative() -> None:
    bench = Bench(SETTINGS)
    bench.volts = lambda n, t: -0.001
    bench.run(0.2)
    assert (bench.samples(NAMES[0])[1] == -8).all()


def test_zero_volts_are_a_value() -> None:
    bench = Bench(SETTINGS)
    bench.volts = lambda n, t: 0.0
    bench.run(0.5)
    assert (bench.samples(NAMES[0])[1] == 0).all()
    assert bench.samples(NAMES[0])[1].size >= 49


def test_a_chip_whose_supply_dipped_gives_no_false_zero() -> None:
    bench = Bench(SETTINGS)
    bench.run(0.5)
    bench.adc.power_cycle()
    bench.run(0.5)
    for number, name in enumerate(NAMES):
        assert set(bench.samples(name)[1].tolist()) == {round((number + 0.5) / 125e-6)}
    assert bench.health("adc 0x48").errors == 1
    assert bench.health("adc 0x48").state == "ok"


def test_a_chip_much_slower_than_its_data_sheet_is_waited_for_and_never_read_early() -> None:
    bench = Bench(SETTINGS, oscillator=0.6)
    bench.run(1.0)
    for number, name in enumerate(NAMES):
        assert set(bench.samples(name)[1].tolist()) == {round((number + 0.5) / 125e-6)}


def test_a_chip_that_grows_slower_while_running_is_found_out() -> None:
    bench = Bench(SETTINGS)
    bench.run(1.0)
    bench.adc._oscillator = 0.7
    bench.run(2.0)
    bench.batches = bench.batches[-10:]
    for number, name in enumerate(NAMES):
        assert set(bench.samples(name)[1].tolist()) == {round((number + 0.5) / 125e-6)}


def test_a_chip_that_is_absent_at_the_start_is_named_and_the_others_go_on() -> None:
    bench = Bench(wiring(*FOUR, *SECOND, **NO_ACCELEROMETER))
    bench.second.connected = False
    bench.run(1.0)
    health = bench.health("adc 0x49")
    assert health.state == "missing"
    assert health.message == ("nothing answers at I2C address 0x49; look at its plug, its supply and its address pin")
    assert abs(bench.samples(NAMES[0])[0].size - 100) <= 1


def test_a_chip_that_appears_later_is_taken_in_and_its_gap_is_closed() -> None:
    bench = Bench(wiring(*FOUR, *SECOND, **NO_ACCELEROMETER))
    bench.second.connected = False
    bench.run(2.0)
    bench.second.connected = True
    bench.run(6.0)
    times, _ = bench.samples("engine_ground_drop")
    (gap,) = bench.gaps()
    assert (gap.channel, gap.to_ns) == ("engine_ground_drop", times[0])
    assert gap.from_ns == 30 * S
    assert bench.health("adc 0x49").state == "ok"


def test_a_chip_that_goes_away_and_comes_back_leaves_one_gap_for_each_channel() -> None:
    bench = Bench(SETTINGS)
    bench.run(1.0)
    bench.adc.connected = False
    bench.run(3.0)
    assert bench.health("adc 0x48").state == "missing"
    bench.adc.power_cycle()
    bench.adc.connected = True
    bench.run(6.0)
    gaps = bench.gaps()
    assert sorted(gap.channel for gap in gaps) == sorted(NAMES)
    times, _ = bench.samples(NAMES[0])
    hole = int(np.argmax(np.diff(times)))
    assert gaps[0].from_ns <= times[hole] + 10 * MS
    assert gaps[0].to_ns <= times[hole + 1]
    assert bench.health("adc 0x48").state == "ok"


def test_the_pauses_between_retries_grow_to_five_seconds() -> None:
    bench = Bench(SETTINGS)
    bench.adc.connected = False
    bench.run(60.0)
    # At 0, 0.1, 0.3, 0.7, 1.5, 3.1, 6.3 s and then every 5 s: 7 + 10.
    assert bench.health("adc 0x48").errors == 17


@pytest.mark.parametrize("refusals", [1, 2])
def test_a_refused_transfer_is_made_again_and_costs_no_sample(refusals: int) -> None:
    bench = Bench(SETTINGS)
    bench.run(0.5)
    bench.bus.refusals[0x48] = refusals
    bench.run(0.5)
    for name in NAMES:
        times, _ = bench.samples(name)
        assert round((times[-1] - times[0]) / (10 * MS)) + 1 == times.size
    assert bench.health("adc 0x48").errors == refusals
    assert bench.gaps() == []
    assert bench.health("adc 0x48").state == "ok"


def test_a_bus_that_hangs_does_not_raise_and_recovers() -> None:
    bench = Bench(wiring(*FOUR, *SECOND, **NO_ACCELEROMETER))
    bench.run(0.5)
    bench.bus.hung = True
    bench.run(1.0)
    assert {health.state for health in bench.batches[-1].health if health.part.startswith("adc")} == {"missing"}
    bench.bus.hung = False
    bench.run(2.0)
    assert {health.state for health in bench.batches[-1].health if health.part.startswith("adc")} == {"ok"}


def interrupted(bench: Bench, delay_ms: int, seconds: float) -> None:
    """Let nothing of ours run for so long, ten times a second, at instants that fall anywhere in the cycle."""
    start_ns = bench.clock.monotonic_ns()
    for k in range(round(seconds * 10)):
        bench.clock.call_at(start_ns + k * 98_300_000, lambda: bench.clock.spend(delay_ms * MS))


@pytest.mark.parametrize("delay_ms", [2, 5, 12, 25])
def test_a_scheduler_that_is_late_makes_samples_late_and_loses_none(delay_ms: int) -> None:
    bench = Bench(wiring(*FOUR, *SECOND, **NO_ACCELEROMETER))
    bench.volts = lambda n, t: (t - 30 * S) / (4 * S)  # the input tells the time: a volt for each four seconds
    bench.run(0.2)
    interrupted(bench, delay_ms, 9.0)
    bench.run(10.0)
    bench.finish()
    assert bench.gaps() == []
    for part in ("adc 0x48", "adc 0x49"):
        assert (bench.health(part).missed, bench.health(part).errors) == (0, 0)
    for name in [*NAMES, "engine_ground_drop"]:
        times, counts = bench.samples(name)
        assert abs(times.size - (times[-1] - times[0]) / (10 * MS) - 1) < 0.5
        assert np.diff(times).max() < (10 + delay_ms + 6) * MS
        if name in NAMES:
            assert np.abs((times - 30 * S) / (4 * S) - counts * 125e-6).max() < 0.0003


def test_what_was_not_sampled_for_longer_is_counted_and_a_gap_of_each_channel_that_missed_any() -> None:
    slow = {"name": "engine_ground_drop", "chip": 0x48, "input": 3, "rate_hz": 1.0}
    bench = Bench(wiring(*FOUR[:3], slow, **NO_ACCELEROMETER))
    bench.run(1.0)
    bench.clock.spend(500 * MS)
    bench.run(1.0)
    assert 3 * 49 <= bench.health("adc 0x48").missed <= 3 * 51
    assert sorted(gap.channel for gap in bench.gaps()) == sorted(NAMES[:3])
    for gap in bench.gaps():
        times, _ = bench.samples(gap.channel)
        hole = int(np.argmax(np.diff(times)))
        assert gap.from_ns == times[hole]
        assert 0 <= times[hole + 1] - gap.to_ns < MS
        assert gap.why == "the recorder did not get to run"
        off_grid = (times - times[0] + 5 * MS) % (10 * MS) - 5 * MS
        assert np.median(np.abs(off_grid)) < 1 * MS


def test_the_last_conversion_is_handed_out_at_the_end() -> None:
    bench = Bench(SETTINGS)
    bench.run(0.5)
    before = sum(bench.samples(name)[0].size for name in NAMES)
    bench.finish()
    assert sum(bench.samples(name)[0].size for name in NAMES) == before + 1


def test_a_gap_still_open_at_the_end_is_handed_out() -> None:
    bench = Bench(SETTINGS)
    bench.run(0.5)
    bench.adc.connected = False
    bench.run(0.5)
    bench.finish()
    assert sorted(gap.channel for gap in bench.gaps()) == sorted(NAMES)
