"""A test bench: real sensor classes on emulated chips and pins, under a clock that only moves when it is waited for."""

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from logger.event import Gap, IntArray
from logger.sensors.batch import Batch, PartHealth
from logger.sensors.hardware import Hardware
from logger.settings import Settings
from logger.virtualcar.chips import Ads1115, Adxl345
from logger.virtualcar.clock import VirtualClock
from logger.virtualcar.i2c_bus import Bus
from logger.virtualcar.pins import TimedPin, pin_factory

MS = 1_000_000
S = 1_000_000_000

TACH, KEY, MARK, LAMP = 17, 27, 22, 23


def wiring(*channels: Mapping[str, Any], **sections: Mapping[str, Any]) -> Settings:
    """Settings with the given channels (name, chip, input, rate_hz) as plain volts, and further sections."""
    document: dict[str, Any] = {"engine": {"cylinders": 6}, "tach": {"pin": TACH, "debounce_us": 200.0}, **sections}
    document["channels"] = {
        channel["name"]: {"unit": "V", "convert": "divider", **{k: v for k, v in channel.items() if k != "name"}}
        for channel in channels
    }
    return Settings.from_dict(document)


FOUR = tuple(
    {"name": name, "chip": 0x48, "input": number}
    for number, name in enumerate(
        ("battery_voltage", "ignition_feed_voltage", "pump_feed_voltage", "sensor_supply_voltage")
    )
)
SECOND = ({"name": "engine_ground_drop", "chip": 0x49, "input": 2},)
NO_ACCELEROMETER = {"accelerometer": {"fitted": False}}


def still(times_ns: IntArray) -> IntArray:
    """A car at rest on a chip with a count of noise."""
    random = np.random.default_rng(times_ns.size + int(times_ns[0]) % 1000)
    return np.array([0, 0, 256]) + np.rint(random.normal(0.0, 1.5, (times_ns.size, 3))).astype(np.int64)


class Bench:
    """Hardware with what it hangs on. Input n of chip 0x48 carries n + 0.5 V, of chip 0x49 n + 0.7 V."""

    def __init__(
        self,
        settings: Settings,
        *,
        bits: int = 16,
        oscillator: float = 1.0,
        feels: Callable[[IntArray], IntArray] = still,
        shakes: float = 1.0,
    ) -> None:
        self.clock = VirtualClock()
        self.bus = Bus(self.clock.spend)
        self.adc = Ads1115(self.clock, lambda n, t: self.volts(n, t), bits=bits, oscillator=oscillator)
        self.second = Ads1115(self.clock, lambda n, t: n + 0.7)
        self.accelerometer = Adxl345(self.clock, feels, oscillator=shakes)
        self.bus.attach(0x48, self.adc)
        self.bus.attach(0x49, self.second)
        self.bus.attach(0x53, self.accelerometer)
        self.pins = pin_factory()
        self.volts: Callable[[int, int], float] = lambda n, t: n + 0.5
        self.hardware = Hardware(settings, self.bus, self.pins, self.clock)
        self.batches: list[Batch] = []

    def run(self, seconds: float) -> None:
        """Poll for so long, ten times a second."""
        for _ in range(round(seconds * 10)):
            self.batches.append(self.hardware.poll(self.clock.monotonic_ns() + 100 * MS))

    def finish(self) -> None:
        self.batches.append(self.hardware.finish())

    def pin(self, number: int) -> TimedPin:
        pin: TimedPin = self.pins.pin(number)
        return pin

    def samples(self, channel: str) -> tuple[IntArray, np.ndarray[Any, np.dtype[np.int16]]]:
        parts = [batch.samples[channel] for batch in self.batches if channel in batch.samples]
        return np.concatenate([times for times, _ in parts]), np.concatenate([counts for _, counts in parts])

    def pulses(self, channel: str) -> IntArray:
        parts = [batch.pulses[channel] for batch in self.batches if channel in batch.pulses]
        return np.concatenate(parts) if parts else np.empty(0, dtype=np.int64)

    def gaps(self) -> list[Gap]:
        return [gap for batch in self.batches for gap in batch.gaps]

    def health(self, part: str) -> PartHealth:
        return next(health for health in self.batches[-1].health if health.part == part)
