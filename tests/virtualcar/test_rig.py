"""A drive played on emulated chips and pins comes back as what it was."""

from dataclasses import replace

import numpy as np
import pytest

from logger import settings
from logger.clock import SystemClock
from logger.conversion import counts_to_g
from logger.event import FloatArray
from logger.sensors.batch import Batch
from logger.sensors.hardware import Hardware
from logger.virtualcar.clock import VirtualClock
from logger.virtualcar.drive import Drive, Signal
from logger.virtualcar.rig import Rig

S = 1_000_000_000
WIRING = settings.default()
SECONDS = 4.0


def ramp(low: float, high: float, rate_hz: float = 1000.0) -> Signal:
    return Signal(rate_hz, np.linspace(low, high, int(SECONDS * rate_hz) + 1))


def a_drive(**signals: Signal) -> Drive:
    standard = {
        "battery_voltage": ramp(12.0, 14.4),
        "ignition_feed_voltage": ramp(13.8, 0.0),
        "sensor_supply_voltage": ramp(5.0, 4.7),
        "fuel_pressure": ramp(350.0, 200.0),
        "coolant_temperature": ramp(20.0, 110.0, 10.0),
        "throttle_position": ramp(0.0, 100.0),
        "air_fuel_ratio": ramp(11.0, 17.0, 100.0),
        "acceleration": Signal(400.0, np.column_stack([ramp(-2.0, 2.0, 400.0).value, *np.tile([[0.5], [1.0]], 1601)])),
    }
    pulses = {
        "tach_pulses": np.arange(0.2, 3.9, 0.0123456789),
        "driver_marks": np.array([1.5]),
    }
    key = (np.array([0.0, 0.1, 3.95]), np.array([0.0, 1.0, 0.0]))
    return Drive("r01", SECONDS, 0.0, {**standard, **signals}, pulses, {"key_sense": key})


def play(drive: Drive) -> tuple[Rig, list[Batch]]:
    clock = VirtualClock()
    rig = Rig(drive, WIRING, clock)
    hardware = Hardware(WIRING, rig.bus, rig.pins, clock)
    rig.play()
    batches = []
    while clock.monotonic_ns() < rig.end_ns:
        batches.append(hardware.poll(min(rig.end_ns, clock.monotonic_ns() + S // 10)))
    return rig, batches


def recorded(rig: Rig, batches: list[Batch], channel: str) -> tuple[FloatArray, FloatArray]:
    """Seconds since the drive's start, and SI values."""
    parts = [batch.samples[channel] for batch in batches if channel in batch.samples]
    time_s = (np.concatenate([times for times, _ in parts]) - rig.start_ns) / S
    counts = np.concatenate([counts for _, counts in parts])
    supply = 5.0 - 0.3 * time_s / SECONDS
    return time_s, WIRING.channels[channel].calibration.to_si(counts, supply)


@pytest.mark.parametrize(
    ("channel", "tolerance"),
    [
        ("battery_voltage", 0.02),
        ("ignition_feed_voltage", 0.02),
        ("sensor_supply_voltage", 0.004),
        ("fuel_pressure", 1.0),
        ("coolant_temperature", 0.5),
        ("throttle_position", 0.2),
        ("air_fuel_ratio", 0.01),
    ],
)
def test_each_channel_comes_back_as_its_signal(channel: str, tolerance: float) -> None:
    drive = a_drive()
    rig, batches = play(drive)
    time_s, value = recorded(rig, batches, channel)
    assert np.abs(value - drive.signals[channel].at(time_s)).max() < tolerance


def test_acceleration_comes_back_in_car_axes() -> None:
    drive = a_drive()
    rig, batches = play(drive)
    parts = [batch.samples["acceleration"] for batch in batches if "acceleration" in batch.samples]
    time_s = (np.concatenate([times for times, _ in parts]) - rig.start_ns) / S
    got = counts_to_g(np.concatenate([counts for _, counts in parts]))
    assert np.abs(got - drive.signals["acceleration"].at(time_s)).max() < 0.04


def test_pulses_and_marks_come_back_to_the_nanosecond() -> None:
    drive = a_drive()
    rig, batches = play(drive)
    for channel, expected in drive.pulses.items():
        got = np.concatenate([batch.pulses[channel] for batch in batches if channel in batch.pulses])
        assert (got - rig.start_ns).tolist() == np.rint(expected * S).astype(np.int64).tolist()


def test_the_key_comes_back_as_it_was_turned() -> None:
    rig, batches = play(a_drive())
    rows = [
        (round((time - rig.start_ns) / S, 3), state)
        for batch in batches
        if "key_sense" in batch.states
        for time, state in zip(*(part.tolist() for part in batch.states["key_sense"]), strict=True)
    ]
    assert rows[1:] == [(0.1, 1), (3.95, 0)]
    assert rows[0][1] == 0


def test_a_torn_off_wire_reads_no_pressure_and_no_temperature() -> None:
    torn = Signal(1000.0, np.full(4001, np.nan))
    rig, batches = play(a_drive(fuel_pressure=torn, coolant_temperature=Signal(10.0, np.full(41, np.nan))))
    _, pressure = recorded(rig, batches, "fuel_pressure")
    assert (pressure < -80.0).all()  # 0 V is an eighth of the range below zero
    _, temperature = recorded(rig, batches, "coolant_temperature")
    assert (np.isnan(temperature) | (temperature < -60.0)).all()


def test_the_same_seed_plays_the_same_noise() -> None:
    first, second = (play(a_drive())[1][5].samples["battery_voltage"][1] for _ in range(2))
    assert first.tolist() == second.tolist()


def test_a_chip_mounted_on_its_side_is_played_so() -> None:
    wiring = replace(WIRING, accelerometer=replace(WIRING.accelerometer, mounting=("+z", "+x", "+y")))
    clock = VirtualClock()
    rig = Rig(a_drive(acceleration=Signal(1.0, np.tile([0.0, 0.0, 1.0], (5, 1)))), wiring, clock)
    hardware = Hardware(wiring, rig.bus, rig.pins, clock)
    counts = hardware.poll(clock.monotonic_ns() + S // 2).samples["acceleration"][1]
    assert counts.mean(axis=0) == pytest.approx([0.0, 256.0, 0.0], abs=1.0)


def test_in_real_time_a_thread_plays_the_edges_and_closing_ends_it() -> None:
    drive = replace(a_drive(), pulses={"tach_pulses": np.array([0.0, 0.001, 0.002, 3000.0])}, steps={})
    clock = SystemClock()
    rig = Rig(drive, WIRING, clock)
    hardware = Hardware(WIRING, rig.bus, rig.pins, clock)
    hardware.poll(clock.monotonic_ns())
    rig.play()
    seen: list[int] = []
    give_up_ns = clock.monotonic_ns() + 5 * S
    while len(seen) < 3 and clock.monotonic_ns() < give_up_ns:
        seen += hardware.poll(clock.monotonic_ns() + 10_000_000).pulses.get("tach_pulses", np.empty(0)).tolist()
    rig.close()
    rig.close()
    hardware.close()
    assert [time_ns - rig.start_ns for time_ns in seen] == [0, 1_000_000, 2_000_000]
