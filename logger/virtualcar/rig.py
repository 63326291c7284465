"""A drive played onto emulated chips and pins: the test bench under the real drivers and the real recorder.

::

    drive (SI truth) --inverse conversions--> volts at ADC pins, counts in the FIFO --registers--> fake I2C bus
                     --times---------------> edges on mock pins, stamped to the nanosecond

With a VirtualClock the drive plays as fast as the recorder can take it; with any other clock a thread plays the edges
in real time.
"""

import threading
from collections.abc import Callable, Iterator, Mapping
from itertools import cycle, pairwise
from typing import Any

import numpy as np

from logger.channel_settings import ChannelSettings
from logger.clock import Clock
from logger.conversion import COUNTS_PER_G, mounting_matrix
from logger.event import NS_PER_S, FloatArray, IntArray
from logger.settings import AccelerometerSettings, Settings
from logger.virtualcar.chips import Ads1115, Adxl345
from logger.virtualcar.clock import VirtualClock
from logger.virtualcar.drive import Drive, Signal
from logger.virtualcar.i2c_bus import Bus
from logger.virtualcar.pins import TimedPin, pin_factory

PIN_NOISE_V = 0.0003
"""Noise at an ADC pin behind its filter, RMS: two to three codes at gain 1."""

CHIP_NOISE_COUNTS = 1.5
"""The accelerometer's own noise, RMS (about 1 LSB by data sheet, more with its supply)."""

PIN_LIMITS_V = (-0.3, 3.6)
"""The clamp diodes of the input circuit."""

TACH_WIDTH_NS = 200_000
PRESS_NS = 400_000_000
"""How long a thumb stays on the mark button."""

Edge = tuple[int, TimedPin, int, int]
"""Time, pin, level, and for how long (0: it stays)."""


class Rig:
    """One drive on one wiring. `bus` and `pins` go to `Hardware`; the drive's t = 0 is `start_ns` on the clock.

    Where a signal is NaN its wire is open: the pin falls to ground through its divider, a thermistor's rises to the
    supply. Channels that the drive does not know read 0 V. The chips' oscillators are off by some per cent, as real
    ones are; seed settles by how much, and the noise.
    """

    def __init__(self, drive: Drive, settings: Settings, clock: Clock, *, seed: int = 1, lead_s: float = 0.0) -> None:
        self.clock = clock
        self.start_ns = clock.monotonic_ns() + round(lead_s * NS_PER_S)
        self.end_ns = self.start_ns + round(drive.duration_s * NS_PER_S)
        self.bus = Bus(clock.spend if isinstance(clock, VirtualClock) else None)
        self.pins = pin_factory()
        random = np.random.default_rng(seed)
        self.adcs: dict[int, Ads1115] = {}
        for address in sorted({channel.chip for channel in settings.channels.values()}):
            inputs = {c.input: _pin_volts(n, c, drive) for n, c in settings.channels.items() if c.chip == address}
            volts = _voltmeter(inputs, self.start_ns, random)
            self.adcs[address] = Ads1115(clock, volts, oscillator=random.uniform(0.95, 1.05))
            self.bus.attach(address, self.adcs[address])
        counts = _feeler(drive, settings.accelerometer, self.start_ns, random)
        self.accelerometer = Adxl345(clock, counts, oscillator=random.uniform(0.97, 1.03))
        if settings.accelerometer.fitted:
            self.bus.attach(settings.accelerometer.address, self.accelerometer)
        self._edges = self._collect_edges(drive, settings)
        self._next = 0
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    def play(self) -> None:
        """Let the edges come from now on."""
        if isinstance(self.clock, VirtualClock):
            self._play_virtually()
        else:
            self._thread = threading.Thread(target=self._play_in_real_time, name="virtual-car", daemon=True)
            self._thread.start()

    def close(self) -> None:
        """Stop the thread of real-time play; may be called twice."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None

    def __repr__(self) -> str:
        return f"Rig({(self.end_ns - self.start_ns) / 1e9:.1f} s, {len(self._edges)} edges, {self.bus!r})"

    def _collect_edges(self, drive: Drive, settings: Settings) -> list[Edge]:
        edges: list[Edge] = []
        for name, pulse in settings.pulse_inputs.items():
            level = 1 if pulse.edge == "rising" else 0
            edges += self._pulses(pulse.pin, drive.pulses.get(name), level, TACH_WIDTH_NS)
        if settings.mark_button.fitted:
            edges += self._pulses(settings.mark_button.pin, drive.pulses.get("driver_marks"), 0, PRESS_NS)
        key = settings.key_sense
        if key.fitted and "key_sense" in drive.steps:
            on = 1 if key.active == "high" else 0
            times, values = drive.steps["key_sense"]
            pin = self.pins.pin(key.pin)
            edges += [(t, pin, on if value else 1 - on, 0) for t, value in zip(self._ns(times), values, strict=True)]
        return sorted(edges, key=lambda edge: edge[0])

    def _pulses(self, pin: int, times: FloatArray | None, level: int, width_ns: int) -> list[Edge]:
        if times is None or not len(times):
            return []
        wire = self.pins.pin(pin)
        stamps = self._ns(times)
        # A pulse is over before the next begins, however close noise comes.
        room = [after - before for before, after in pairwise(stamps)] + [width_ns]
        return [(t, wire, level, min(width_ns, gap // 2)) for t, gap in zip(stamps, room, strict=True)]

    def _ns(self, times: FloatArray) -> list[int]:
        stamps: list[int] = (self.start_ns + np.rint(np.asarray(times) * NS_PER_S).astype(np.int64)).tolist()
        return stamps

    def _play_due(self, now_ns: int) -> int | None:
        """Move the pins as far as `now_ns`; the time of the next edge, None after the last."""
        edges = self._edges
        while self._next < len(edges) and edges[self._next][0] <= now_ns:
            time_ns, pin, level, width_ns = edges[self._next]
            self._next += 1
            if width_ns:
                pin.pulse(time_ns, width_ns, level)
            else:
                pin.edge(time_ns, level)
        return edges[self._next][0] if self._next < len(edges) else None

    def _play_virtually(self) -> None:
        assert isinstance(self.clock, VirtualClock)
        following = self._play_due(self.clock.monotonic_ns())
        if following is not None:
            self.clock.call_at(following, self._play_virtually)

    def _play_in_real_time(self) -> None:
        while not self._stopping.is_set():
            following = self._play_due(self.clock.monotonic_ns())
            if following is None:
                return
            # In steps, so that closing does not have to wait for a distant edge.
            self.clock.sleep_until_ns(min(following, self.clock.monotonic_ns() + 50_000_000))


def _pin_volts(name: str, channel: ChannelSettings, drive: Drive) -> Signal:
    """What lies at the channel's ADC pin, on the signal's own grid."""
    signal = drive.signals.get(name)
    if signal is None:
        return Signal(1.0, np.zeros(2))
    supply: Any = None
    if "sensor_supply_voltage" in drive.signals:
        supply = drive.signals["sensor_supply_voltage"].at(np.arange(len(signal.value)) / signal.rate_hz)
    volts = channel.calibration.to_pin_volts(signal.value, supply)
    torn_off = supply / channel.ratio if channel.convert == "ntc" and supply is not None else 0.0
    return Signal(signal.rate_hz, np.clip(np.where(np.isnan(volts), torn_off, volts), *PIN_LIMITS_V))


def _voltmeter(inputs: Mapping[int, Signal], start_ns: int, random: np.random.Generator) -> Callable[[int, int], float]:
    """Volts at (input, time) with noise. Python lists, because a chip asks for one value at a time."""
    noise: Iterator[float] = cycle(random.normal(0.0, PIN_NOISE_V, 8191).tolist())
    grids: dict[int, tuple[list[float], float]] = {
        number: (signal.value.tolist(), signal.rate_hz / NS_PER_S) for number, signal in inputs.items()
    }

    def volts(number: int, time_ns: int) -> float:
        if number not in grids:
            return next(noise)
        values, per_ns = grids[number]
        place = max(0.0, (time_ns - start_ns) * per_ns)
        low = int(place)
        if low >= len(values) - 1:
            return values[-1] + next(noise)
        return values[low] + (values[low + 1] - values[low]) * (place - low) + next(noise)

    return volts


def _feeler(
    drive: Drive, settings: AccelerometerSettings, start_ns: int, random: np.random.Generator
) -> Callable[[IntArray], IntArray]:
    """Counts that a chip so mounted feels at given times; at rest, one g down, where the drive tells nothing."""
    signal = drive.signals.get("acceleration") or Signal(1.0, np.tile([0.0, 0.0, 1.0], (2, 1)))
    chip = Signal(signal.rate_hz, signal.value @ mounting_matrix(settings.mounting) * COUNTS_PER_G)

    def counts(times_ns: IntArray) -> IntArray:
        felt = chip.at((times_ns - start_ns) / NS_PER_S)
        return np.rint(felt + random.normal(0.0, CHIP_NOISE_COUNTS, felt.shape)).astype(np.int64)

    return counts
