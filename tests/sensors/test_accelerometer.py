"""The accelerometer's FIFO, on the emulated chip under the untouched driver."""

import numpy as np
import pytest

from logger.conversion import counts_to_g
from logger.event import IntArray
from logger.sensors.levels import LevelMeter
from logger.sensors.sample_times import SampleTimes
from tests.sensors.bench import FOUR, MS, Bench, S, still, wiring

SETTINGS = wiring(*FOUR)


def times_and_counts(bench: Bench) -> tuple[IntArray, IntArray]:
    times, counts = bench.samples("acceleration")
    return times, counts.astype(np.int64)


def clockwork(times_ns: IntArray) -> IntArray:
    """A chip that feels what time it is: z counts 1 for each ms since 30 s, modulo 4000."""
    rows = np.zeros((times_ns.size, 3), dtype=np.int64)
    rows[:, 2] = (times_ns - 30 * S) // MS % 4000
    return rows


def test_a_car_at_rest_feels_one_g_upwards() -> None:
    bench = Bench(SETTINGS)
    bench.run(1.0)
    _, counts = times_and_counts(bench)
    assert counts_to_g(counts).mean(axis=0) == pytest.approx([0.0, 0.0, 1.0], abs=0.004)  # the chip's own step


def test_no_sample_is_lost_while_the_adc_is_read_beside_it() -> None:
    bench = Bench(SETTINGS)
    bench.run(10.0)
    times, _ = times_and_counts(bench)
    assert abs(times.size - 4000) <= 10
    assert bench.gaps() == []


@pytest.mark.parametrize("shakes", [0.97, 1.0, 1.03])
def test_sample_times_follow_the_chips_own_oscillator_within_a_millisecond(shakes: float) -> None:
    bench = Bench(SETTINGS, feels=clockwork, shakes=shakes)
    bench.run(8.0)
    times, counts = times_and_counts(bench)
    settled = slice(400, None)
    stated_ms = (times[settled] - 30 * S) / MS % 4000
    error = (stated_ms - counts[settled, 2] - 0.5 + 2000) % 4000 - 2000
    assert np.abs(error).max() < 1.0
    assert bench.health("accelerometer").details["rate_hz"] == pytest.approx(400 * shakes, rel=2e-4)


def test_sample_times_rise_from_batch_to_batch() -> None:
    bench = Bench(SETTINGS, shakes=1.025)
    bench.run(5.0)
    times, _ = times_and_counts(bench)
    assert (np.diff(times) > 0).all()


def test_a_poll_so_late_that_the_fifo_overflows_leaves_a_gap_and_goes_on() -> None:
    bench = Bench(SETTINGS, feels=clockwork)
    bench.run(3.0)
    bench.clock.spend(500 * MS)
    bench.run(3.0)
    times, counts = times_and_counts(bench)
    (gap,) = (gap for gap in bench.gaps() if gap.channel == "acceleration")
    assert gap.why == "its FIFO overflowed before it was read"
    assert 450 * MS < gap.to_ns - gap.from_ns < 600 * MS
    assert not ((times > gap.from_ns) & (times < gap.to_ns)).any()
    stated_ms = (times[-400:] - 30 * S) / MS % 4000
    assert np.abs((stated_ms - counts[-400:, 2] - 0.5 + 2000) % 4000 - 2000).max() < 1.5


def test_a_read_that_fails_halfway_leaves_a_gap_and_moves_no_other_sample(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(SETTINGS, feels=clockwork)
    bench.run(3.0)
    really, fails_at = bench.bus.writeto_then_readfrom, bench.clock.monotonic_ns() + S
    failed_ns: list[int] = []

    def read(address: int, out: bytes, into: bytearray, **where: int) -> None:
        really(address, out, into, **where)
        # The chip has handed its sample out; the answer is lost on the way.
        if out[0] == 0x32 and bench.clock.monotonic_ns() > fails_at + 2 * S * len(failed_ns) and len(failed_ns) < 3:
            failed_ns.append(bench.clock.monotonic_ns())
            raise OSError(121, "Remote I/O error")

    monkeypatch.setattr(bench.bus, "writeto_then_readfrom", read)
    bench.run(8.0)
    times, counts = times_and_counts(bench)
    stated_ms = (times[400:] - 30 * S) / MS % 4000
    assert np.abs((stated_ms - counts[400:, 2] - 0.5 + 2000) % 4000 - 2000).max() < 1.5
    gaps = bench.gaps()
    assert {(gap.channel, gap.why) for gap in gaps} == {("acceleration", "a read of it failed")}
    for gap, at_ns in zip(gaps, failed_ns, strict=True):
        assert gap.from_ns < at_ns < gap.to_ns < gap.from_ns + 80 * MS
        assert not ((times > gap.from_ns) & (times < gap.to_ns)).any()


def test_a_poll_that_is_60_ms_late_loses_nothing() -> None:
    bench = Bench(SETTINGS)
    bench.run(2.0)
    bench.clock.spend(50 * MS)
    bench.run(2.0)
    assert [gap for gap in bench.gaps() if gap.channel == "acceleration"] == []


def test_an_absent_accelerometer_is_named_and_the_adc_goes_on() -> None:
    bench = Bench(SETTINGS)
    bench.accelerometer.connected = False
    bench.run(1.0)
    assert bench.health("accelerometer").state == "missing"
    assert abs(bench.samples("battery_voltage")[0].size - 100) <= 1


def test_an_accelerometer_that_comes_back_closes_its_gap() -> None:
    bench = Bench(SETTINGS)
    bench.run(1.0)
    bench.accelerometer.connected = False
    bench.run(1.0)
    bench.accelerometer.power_cycle()
    bench.accelerometer.connected = True
    bench.run(3.0)
    times, _ = times_and_counts(bench)
    (gap,) = bench.gaps()
    assert gap.channel == "acceleration"
    hole = int(np.argmax(np.diff(times)))
    assert gap.from_ns == pytest.approx(times[hole], abs=25 * MS)
    assert gap.to_ns == pytest.approx(times[hole + 1], abs=25 * MS)


def test_a_chip_that_stops_measuring_is_reported() -> None:
    bench = Bench(SETTINGS)
    bench.run(1.0)
    bench.accelerometer.stopped = True
    bench.run(2.0)
    assert bench.health("accelerometer").state == "missing"
    assert (
        bench.health("accelerometer").message
        == "the accelerometer answers but gives no new samples; switch its supply off and on"
    )


def test_a_chip_that_gives_one_value_for_ever_is_reported() -> None:
    bench = Bench(SETTINGS, feels=lambda times: np.tile([0, 0, 256], (times.size, 1)))
    for _ in range(5):
        bench.run(3.0)
        assert bench.health("accelerometer").state == "missing"
        assert bench.health("accelerometer").message.startswith("the accelerometer gives the same value all the time")


def test_a_chip_that_was_stuck_and_measures_again_is_taken_back() -> None:
    stuck = [True]
    bench = Bench(SETTINGS, feels=lambda times: np.tile([0, 0, 256], (times.size, 1)) if stuck[0] else still(times))
    bench.run(4.0)
    stuck[0] = False
    bench.run(8.0)
    assert bench.health("accelerometer").state == "ok"
    assert [gap.channel for gap in bench.gaps()] == ["acceleration"]


def test_another_chip_at_its_address_is_refused_by_its_id() -> None:
    bench = Bench(SETTINGS)
    bench.accelerometer._registers[0] = 0x33
    bench.run(0.5)
    assert bench.health("accelerometer").message == "what answers at 0x53 is no ADXL345: its id is 0x33"


def test_levels_alone_can_be_asked_for() -> None:
    bench = Bench(wiring(*FOUR, accelerometer={"store_raw": False}))
    bench.run(1.0)
    assert all("acceleration" not in batch.samples for batch in bench.batches)
    assert sum(batch.levels.time_ns.size for batch in bench.batches if batch.levels) >= 18


def test_levels_of_a_sine_are_its_amplitude_over_root_two_and_its_amplitude() -> None:
    meter = LevelMeter(400.0, np.eye(3))
    times = np.arange(4000) * 2_500_000
    counts = np.zeros((4000, 3), dtype=np.int16)
    counts[:, 2] = np.rint(256 + 128 * np.cos(2 * np.pi * 40 * times / 1e9))  # half a g at 40 Hz on top of gravity
    levels = meter.add(times, counts)
    assert levels is not None
    assert levels.time_ns.size == 200
    assert levels.rms[-1] == pytest.approx([0.0, 0.0, 0.3536, 0.3536], abs=0.002)
    assert levels.peak[-1, 2] == pytest.approx(0.5, abs=0.01)


def test_levels_do_not_depend_on_how_samples_are_split_into_batches() -> None:
    times = np.arange(1000) * 2_500_000
    counts = still(times).astype(np.int16)
    whole = LevelMeter(400.0, np.eye(3)).add(times, counts)
    meter = LevelMeter(400.0, np.eye(3))
    pieces = [meter.add(times[i : i + 37], counts[i : i + 37]) for i in range(0, 1000, 37)]
    assert whole is not None
    assert np.concatenate([piece.rms for piece in pieces if piece]) == pytest.approx(whole.rms)


def test_the_time_fit_is_exact_for_an_exact_chip() -> None:
    fit = SampleTimes(2_500_000)
    for n in range(8, 400, 8):
        newest = n * 2_430_000
        fit.visit(n, newest + 100_000, newest + 200_000)
    times = fit.times(0, 392)
    assert fit.period_ns == pytest.approx(2_430_000)
    # Sample k was made at (k + 1) periods; the visits leave 2.33 ms of doubt, of which the middle is taken.
    assert np.abs(times - (np.arange(392) + 1) * 2_430_000).max() < 2_330_000 / 2 + 1


def test_a_visit_that_was_slow_to_return_does_not_move_the_fit() -> None:
    prompt, slow = SampleTimes(2_500_000), SampleTimes(2_500_000)
    for n in range(8, 400, 8):
        newest = n * 2_500_000
        prompt.visit(n, newest + 100_000, newest + 200_000)
        slow.visit(n, newest + 100_000, newest + (200_000 if n != 200 else 1_500_000))
    assert np.abs(prompt.times(0, 392) - slow.times(0, 392)).max() < 100_000
