"""The ADXL345 accelerometer, read from its FIFO in short slices.

The driver knows no FIFO, so its registers are used through the driver's I2C device:

* DATA_FORMAT (31h): full resolution, +-16 g: 1/256 g for each count whatever the range
* FIFO_CTL (38h): stream mode, the newest 32 samples are kept
* FIFO_STATUS (39h): bits 5:0 samples waiting; INT_SOURCE (30h) bit 0: some were overwritten unread
* DATAX0 (32h): six bytes, each read takes one sample out
"""

from collections.abc import Callable

import numpy as np
from adafruit_adxl34x import ADXL345, DataRate, Range
from adafruit_bus_device.i2c_device import I2CDevice

from logger.clock import Clock
from logger.conversion import mounting_matrix
from logger.event import IntArray
from logger.sensors.batch import Counts, Levels, PartHealth
from logger.sensors.chip import open_chip
from logger.sensors.levels import LevelMeter
from logger.sensors.sample_times import SampleTimes
from logger.sensors.watch import Watch
from logger.settings import AccelerometerSettings

DEVICE_ID = 0xE5
FIFO_LEVELS = 32
READ_NS = 250_000
"""Bus time of one sample at 400 kHz, with what the system call costs."""

VISIT_SAMPLES = 8
"""Samples that may gather before a visit: a quarter of the FIFO, which leaves 60 ms for a late one at 400 Hz."""

STUCK_SAMPLES = 800
"""So many identical samples in a row are no measurement: the chip's own noise is about a count."""

EMPTY_VISITS = 10

_DEVID, _INT_SOURCE, _DATA, _FIFO_STATUS = (bytes([register]) for register in (0x00, 0x30, 0x32, 0x39))
_POWER_STANDBY, _POWER_MEASURE = bytes([0x2D, 0x00]), bytes([0x2D, 0x08])
_FIFO_BYPASS, _FIFO_STREAM = bytes([0x38, 0x00]), bytes([0x38, 0x80 | FIFO_LEVELS // 2])
_OVERRUN = 0x01
_RATES = {
    100.0: DataRate.RATE_100_HZ,
    200.0: DataRate.RATE_200_HZ,
    400.0: DataRate.RATE_400_HZ,
    800.0: DataRate.RATE_800_HZ,
}


class Accelerometer:
    """One ADXL345. It opens itself at the first `step`, and again whenever it had gone or stopped.

    `step` is to be called when `due_ns` has come; it reads at most what fits before others want the bus. `take`
    hands out what has been read, as counts in the chip's own axes, with times fitted from count against the clock.
    """

    def __init__(
        self, bus: object, settings: AccelerometerSettings, clock: Clock, bus_wanted_ns: Callable[[], int]
    ) -> None:
        self._bus = bus
        self._settings = settings
        self._clock = clock
        self._bus_wanted_ns = bus_wanted_ns
        self.due_ns = clock.monotonic_ns()
        where = f"I2C address 0x{settings.address:02x}"
        self.watch = Watch("accelerometer", where, ["acceleration"], self.due_ns)
        self._visit_ns = round(VISIT_SAMPLES / settings.rate_hz * 1e9)
        self._times = SampleTimes(1e9 / settings.rate_hz)
        self._meter = LevelMeter(settings.rate_hz, mounting_matrix(settings.mounting))
        self._device: I2CDevice | None = None
        self._n_read = 0
        self._n_timed = 0
        self._is_counted = True
        self._raw = bytearray()
        self._chunks: list[tuple[IntArray, Counts]] = []
        self._buffer = bytearray(6)
        self._last = b""
        self._n_same = 0
        self._n_empty = 0

    def step(self) -> None:
        """Read a slice of the FIFO and set `due_ns`. An error on the bus is noted, never raised."""
        now_ns = self._clock.monotonic_ns()
        try:
            if self._device is None:
                self._open()
            else:
                self._drain(self._device, now_ns)
        except OSError as error:
            if self.watch.bad(now_ns, error):
                self._device = None
                self.due_ns = self.watch.retry_ns
            else:
                self.due_ns = now_ns + self._visit_ns

    def take(self, samples: dict[str, tuple[IntArray, Counts]]) -> Levels | None:
        """Move what has been read into `samples`, unless only levels are wanted; the levels of full stretches."""
        self._give_times()
        if not self._chunks:
            return None
        time_ns = np.concatenate([times for times, _ in self._chunks])
        counts = np.concatenate([chunk for _, chunk in self._chunks])
        self._chunks.clear()
        if self._settings.store_raw:
            samples["acceleration"] = (time_ns, counts)
        return self._meter.add(time_ns, counts)

    def finish(self) -> None:
        self.watch.finish(self._clock.monotonic_ns())

    def health(self) -> PartHealth:
        return self.watch.health(rate_hz=round(1e9 / self._times.period_ns, 2))

    def close(self) -> None:
        """Put the chip to sleep if it is there."""
        device, self._device = self._device, None
        if device is not None:
            try:
                with device:
                    device.write(_POWER_STANDBY)
            except OSError as error:
                self.watch.bad(self._clock.monotonic_ns(), error)

    def __repr__(self) -> str:
        state = "closed" if self._device is None else f"{1e9 / self._times.period_ns:.1f} Hz"
        return f"Accelerometer(0x{self._settings.address:02x}; {state})"

    def _open(self) -> None:
        driver = open_chip(lambda: ADXL345(self._bus, self._settings.address), self._settings.address)
        device = driver._i2c
        with device:
            device.write_then_readinto(_DEVID, self._buffer, in_end=1)
            if self._buffer[0] != DEVICE_ID:
                raise OSError(
                    f"what answers at 0x{self._settings.address:02x} is no ADXL345: its id is 0x{self._buffer[0]:02x}"
                )
            device.write(_POWER_STANDBY)
        driver.range = Range.RANGE_16_G
        driver.data_rate = _RATES[self._settings.rate_hz]
        with device:
            self._start_run(device)
            device.write(_POWER_MEASURE)
        self._device = device
        self.due_ns = self._clock.monotonic_ns() + self._visit_ns

    def _start_run(self, device: I2CDevice) -> None:
        """Empty the FIFO and count from 0 again."""
        self._give_times()
        device.write(_FIFO_BYPASS)
        device.write(_FIFO_STREAM)
        self._times.restart()
        self._n_read = self._n_timed = 0
        self._is_counted = True

    def _give_times(self) -> None:
        if self._raw:
            counts = np.frombuffer(bytes(self._raw), dtype="<i2").astype(np.int16).reshape(-1, 3)
            self._chunks.append((self._times.times(self._n_timed, len(counts)), counts))
            self._n_timed += len(counts)
            self._raw.clear()

    def _drain(self, device: I2CDevice, before_ns: int) -> None:
        with device:
            if not self._is_counted:
                self._give_up_run(device, before_ns, "a read of it failed")
                return
            device.write_then_readinto(_FIFO_STATUS, self._buffer, in_end=1)
            after_ns = self._clock.monotonic_ns()
            waiting = self._buffer[0] & 0x3F
            if waiting >= FIFO_LEVELS and self._overran(device):
                self._give_up_run(device, after_ns, "its FIFO overflowed before it was read")
                return
            self._times.visit(self._n_read + waiting, before_ns, after_ns)
            n = min(waiting, max(1, (self._bus_wanted_ns() - after_ns) // READ_NS))
            chunk = bytearray()
            # A read that fails may have taken its sample out of the FIFO all the same.
            self._is_counted = False
            for _ in range(n):
                device.write_then_readinto(_DATA, self._buffer)
                chunk += self._buffer
            self._is_counted = True
            problem = self._problem(n, chunk)
            if problem:
                self._start_run(device)
                raise OSError(problem)
        self._raw += chunk
        self._n_read += n
        if n:
            self.watch.good(after_ns, n)
        self.due_ns = after_ns if n < waiting else before_ns + self._visit_ns

    def _overran(self, device: I2CDevice) -> bool:
        device.write_then_readinto(_INT_SOURCE, self._buffer, in_end=1)
        return bool(self._buffer[0] & _OVERRUN)

    def _give_up_run(self, device: I2CDevice, now_ns: int, why: str) -> None:
        """Samples were lost, so the count is broken: start a new run and own up to the gap."""
        self._start_run(device)
        last_ns = self._times.last_ns if self.watch.samples else now_ns
        self.watch.late(now_ns - last_ns, round((now_ns - last_ns) / self._times.period_ns))
        self.watch.lost(last_ns, now_ns, why)
        self.due_ns = self._clock.monotonic_ns() + self._visit_ns

    def _problem(self, n: int, chunk: bytearray) -> str:
        """Why a chip that answers cannot be measuring; empty where it is."""
        self._n_empty = 0 if n else self._n_empty + 1
        self._n_same = self._n_same + n if n and chunk == self._last * n else self._n_same * (n == 0)
        self._last = bytes(chunk[-6:]) if n else self._last
        if self._n_empty > EMPTY_VISITS:
            return "the accelerometer answers but gives no new samples; switch its supply off and on"
        if self._n_same > STUCK_SAMPLES:
            return "the accelerometer gives the same value all the time; switch its supply off and on"
        return ""
