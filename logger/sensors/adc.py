"""One ADS1115 or ADS1015 on the bus, its inputs converted in turn.

The driver can read one input at rate, or several by waiting for each. Here its own I2C device is used for a cycle
that never waits: at each slot the result of the last conversion is read and the next one started::

    slot    |  A0 due             |  A1 due             |  A2 due
    bus     |  read A3, start A0  |  read A0, start A1  |  read A1, start A2
    chip    |  ~~converting A0~~~~|  ~~converting A1~~~~|  ...

Config register, 16 bits (data sheet SBAS444)::

    15  14 13 12  11 10 9   8     7 6 5  4 3 2  1 0
    OS  MUX       PGA       MODE  DR     COMP   COMP_QUE
"""

from collections.abc import Mapping
from operator import attrgetter

import numpy as np
from adafruit_ads1x15.ads1115 import ADS1115
from adafruit_bus_device.i2c_device import I2CDevice

from logger.channel_settings import ChannelSettings
from logger.clock import Clock
from logger.conversion import FULL_SCALE_V
from logger.event import IntArray
from logger.sensors.batch import Counts, PartHealth
from logger.sensors.chip import open_chip
from logger.sensors.pins import NEVER_NS
from logger.sensors.watch import Watch

CONVERSION = bytes([0x00])
CONFIG = bytes([0x01])
START_SINGLE = 0x8000
READY = 0x8000
SINGLE_SHOT = 0x0100
INPUT_TO_GROUND = 0x4000
COMPARATOR_OFF = 0x0003
PGA = {gain: number << 9 for number, gain in enumerate(FULL_SCALE_V)}

RATE = 860
RATE_BITS = 0x00E0
"""860 samples per second of an ADS1115; the same bits make an ADS1015 convert faster still."""

UNREAD_NS = 5_000_000
"""How long a finished conversion may wait for the next slot before it is worth a visit of its own."""

SLOWEST_NS = 5_000_000
"""Four times an ADS1115's conversion: a chip that takes longer is broken."""

CATCH_UP_NS = 30_000_000
"""A sample may be started so late, as soon as the chip is free, and carries its true time; what is later is a gap."""

TOO_LATE = "the recorder did not get to run"

CHECK_EVERY = 64
"""Results between looks at the config register, which cost a third transaction."""

CODES_TO_TELL = 50
"""Non-zero results after which the low four bits of an ADS1115 cannot all have been zero."""


class _Slot:
    """One input: what starts it, when it is due, what came of it."""

    def __init__(self, name: str, channel: ChannelSettings) -> None:
        word = START_SINGLE | INPUT_TO_GROUND | channel.input << 12 | PGA[channel.gain]
        word |= SINGLE_SHOT | RATE_BITS | COMPARATOR_OFF
        self.name = name
        self.command = bytes([CONFIG[0], word >> 8, word & 0xFF])
        self.period_ns = round(1e9 / channel.rate_hz)
        self.due_ns = 0
        self.last_ns = 0
        self.times: list[int] = []
        self.codes: list[int] = []


class AdcChip:
    """One ADC chip with its channels. It opens itself at the first `step`, and again whenever it had gone.

    `step` is to be called when `due_ns` has come; `take` hands out what has been read. Counts are the chip's 16-bit
    word; an ADS1015 fills only the upper twelve bits, on the same scale.
    """

    def __init__(self, bus: object, address: int, channels: Mapping[str, ChannelSettings], clock: Clock) -> None:
        self._bus = bus
        self._address = address
        self._clock = clock
        self.due_ns = clock.monotonic_ns()
        self.watch = Watch(f"adc 0x{address:02x}", f"I2C address 0x{address:02x}", list(channels), self.due_ns)
        self._slots = [_Slot(name, channel) for name, channel in channels.items()]
        # Evenly spread over the shortest period, so that no conversion waits for another.
        self._spread_ns = min(slot.period_ns for slot in self._slots) // len(self._slots)
        self._device: I2CDevice | None = None
        self._pending: _Slot | None = None
        self._started_ns = 0
        self._ready_ns = 0
        self._conversion_ns = 0
        self._buffer = bytearray(2)
        self._until_check = CHECK_EVERY
        self._low_bits = 0
        self._codes_seen = 0

    @property
    def model(self) -> str:
        """The chip that is really fitted, told by the low four bits of its results, which a 12-bit part leaves zero."""
        if self._low_bits:
            return "ADS1115"
        return "ADS1015" if self._codes_seen >= CODES_TO_TELL else "unknown"

    def step(self) -> None:
        """Read what is ready, start what is due, and set `due_ns`. An error on the bus is noted, never raised."""
        now_ns = self._clock.monotonic_ns()
        try:
            if self._device is None:
                self._open()
            else:
                self._cycle(self._device, now_ns)
        except OSError as error:
            pending, self._pending = self._pending, None
            if self.watch.bad(now_ns, error):
                self._device = None
                self.due_ns = self.watch.retry_ns
            else:
                # A conversion whose result was lost is made again; the pause lets a disturbance pass.
                if pending is not None:
                    pending.due_ns -= pending.period_ns
                self.due_ns = now_ns + self._spread_ns

    def take(self, samples: dict[str, tuple[IntArray, Counts]]) -> None:
        """Move what has been read into `samples`."""
        for slot in self._slots:
            if slot.times:
                samples[slot.name] = (np.array(slot.times, dtype=np.int64), np.array(slot.codes, dtype=np.int16))
                slot.times, slot.codes = [], []

    def finish(self) -> None:
        """Read the conversion still on its way, if the chip is there, and start no other."""
        if self._device is not None and self._pending is not None:
            self._clock.sleep_until_ns(self._ready_ns)
            for slot in self._slots:
                slot.due_ns = NEVER_NS
            self.step()
        self.watch.finish(self._clock.monotonic_ns())

    def health(self) -> PartHealth:
        return self.watch.health(model=self.model, conversion_us=self._conversion_ns // 1000)

    def close(self) -> None:
        """Let go of the chip; between single conversions it sleeps."""
        self._device = None

    def __repr__(self) -> str:
        names = ", ".join(slot.name for slot in self._slots)
        return f"AdcChip(0x{self._address:02x}, {names}; {'closed' if self._device is None else self.model})"

    def _open(self) -> None:
        driver = open_chip(lambda: ADS1115(self._bus, data_rate=RATE, address=self._address), self._address)
        with driver.i2c_device as device:
            self._conversion_ns = self._time_one_conversion(device)
        self._pending = None
        self._device = driver.i2c_device
        start_ns = self._clock.monotonic_ns()
        for number, slot in enumerate(self._slots):
            slot.due_ns = start_ns + number * self._spread_ns
            slot.last_ns = start_ns
        self.due_ns = start_ns

    def _time_one_conversion(self, device: I2CDevice) -> int:
        """Nanoseconds, by asking until it is over: the only time that the chip is waited for."""
        device.write(self._slots[0].command)
        begun_ns = self._clock.monotonic_ns()
        while True:
            device.write_then_readinto(CONFIG, self._buffer)
            taken_ns = self._clock.monotonic_ns() - begun_ns
            if self._buffer[0] << 8 & READY:
                return taken_ns
            if taken_ns > SLOWEST_NS:
                raise OSError(f"the ADC at 0x{self._address:02x} answers, but its conversion never ends; replace it")

    def _cycle(self, device: I2CDevice, now_ns: int) -> None:
        if self._pending is not None and now_ns < self._ready_ns:
            self.due_ns = self._ready_ns
            return
        slot = self._next_slot()
        with device:
            if self._pending is not None and not self._read(device, self._pending):
                self._wait_longer(now_ns)
                return
            self._pending = None
            if slot.due_ns <= now_ns:
                device.write(slot.command)
                self._started_ns = self._clock.monotonic_ns()
                # The measured time holds within per cents; the rest is for its drift with temperature.
                self._ready_ns = self._started_ns + self._conversion_ns * 9 // 8
                self._pending = slot
                self._go_on(slot, now_ns)
                slot = self._next_slot()
        self._plan(slot)

    def _go_on(self, slot: _Slot, now_ns: int) -> None:
        """`slot` was started: when is its next sample due? Those overdue for too long are given up, as a gap."""
        late_ns = now_ns - slot.due_ns
        missed = late_ns // slot.period_ns if late_ns > CATCH_UP_NS else 0
        self.watch.late(late_ns, missed)
        if missed:
            self.watch.lost(slot.last_ns, now_ns, TOO_LATE, [slot.name])
        slot.due_ns += (missed + 1) * slot.period_ns

    def _read(self, device: I2CDevice, pending: _Slot) -> bool:
        """Read the result of `pending`; False where its conversion is not over."""
        self._until_check -= 1
        if self._until_check < 0:
            self._until_check = CHECK_EVERY
            if not self._is_over(device, pending):
                return False
        device.write_then_readinto(CONVERSION, self._buffer)
        code = int.from_bytes(self._buffer, "big", signed=True)
        # Zero is what the register holds after the chip's own supply dipped, so a zero is looked at twice.
        if code == 0 and not self._is_over(device, pending):
            return False
        self._low_bits |= code & 0x0F
        self._codes_seen += code != 0
        time_ns = self._started_ns + self._conversion_ns // 2
        pending.times.append(time_ns)
        pending.codes.append(code)
        pending.last_ns = time_ns
        self.watch.good(time_ns)
        return True

    def _is_over(self, device: I2CDevice, pending: _Slot) -> bool:
        """Whether the chip says that it is ready, with the configuration that it was given."""
        device.write_then_readinto(CONFIG, self._buffer)
        word = int.from_bytes(self._buffer, "big")
        if (word | START_SINGLE) != int.from_bytes(pending.command[1:], "big"):
            raise OSError(f"the ADC at 0x{self._address:02x} lost its configuration; look at its supply")
        return bool(word & READY)

    def _wait_longer(self, now_ns: int) -> None:
        if now_ns - self._started_ns > SLOWEST_NS:
            raise OSError(f"the ADC at 0x{self._address:02x} answers, but its conversion never ends; replace it")
        self._conversion_ns = now_ns - self._started_ns
        self._ready_ns = now_ns + self._conversion_ns // 8
        self.due_ns = self._ready_ns

    def _next_slot(self) -> _Slot:
        return min(self._slots, key=_due)

    def _plan(self, following: _Slot) -> None:
        """Wake for the next slot, which reads the pending result too, unless that is too long to leave it unread."""
        if self._pending is None:
            self.due_ns = following.due_ns
        elif following.due_ns > self._ready_ns + UNREAD_NS:
            self.due_ns = self._ready_ns
        else:
            self.due_ns = max(following.due_ns, self._ready_ns)


_due = attrgetter("due_ns")
