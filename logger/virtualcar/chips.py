"""Register-level ADC and accelerometer chips on the car's I2C bus, for drivers that know no better.

Chips see time only through the clock they are given: a conversion takes as long as the data sheet says, a FIFO fills
while nobody looks. Each can be unplugged, power-cycled, made to refuse or to hang the bus.
"""

from collections import deque
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from logger.clock import Clock
from logger.conversion import FULL_SCALE_V
from logger.event import IntArray

_PGA_FULL_SCALE = [*FULL_SCALE_V.values(), 0.256, 0.256]
_ADS1115_RATES = (8, 16, 32, 64, 128, 250, 475, 860)
_ADS1015_RATES = (128, 250, 490, 920, 1600, 2400, 3300, 3300)
_RESET_CONFIG = 0x8583


class Ads1115:
    """A 16-bit ADC, or with `bits=12` the ADS1015, whose result fills the upper bits of the same register.

    volts(input, time_ns) is what lies at a pin. oscillator: the chip's own time runs faster than ours by that factor.
    Registers behind a pointer byte: 0 conversion, 1 config, 2 and 3 thresholds; two bytes each, high byte first.
    """

    def __init__(
        self,
        clock: Clock,
        volts: Callable[[int, int], float],
        *,
        bits: int = 16,
        oscillator: float = 1.0,
    ) -> None:
        self._clock = clock
        self._volts = volts
        self._grain = 1 << (16 - bits)
        self._rates = _ADS1115_RATES if bits == 16 else _ADS1015_RATES
        self._oscillator = oscillator
        self.connected = True
        self.power_cycle()

    def power_cycle(self) -> None:
        """As the chip comes up: default configuration, a result of zero."""
        self._pointer = 0
        self._registers = [0, _RESET_CONFIG, 0x8000, 0x7FFF]
        self._begun_ns = -1
        self._period_ns = 0

    def write(self, data: bytes) -> None:
        if not data:
            return
        self._pointer = data[0] & 3
        if len(data) >= 3:
            word = data[1] << 8 | data[2]
            if self._pointer == 1:
                self._configure(word)
            elif self._pointer > 1:
                self._registers[self._pointer] = word

    def read(self, length: int) -> bytes:
        if self._begun_ns >= 0:
            self._convert()
        word = self._registers[self._pointer]
        if self._pointer == 1 and self._begun_ns >= 0:
            word &= 0x7FFF
        return word.to_bytes(2, "big") * (length // 2) + bytes(length % 2)

    def _configure(self, word: int) -> None:
        self._convert()
        self._registers[1] = word | 0x8000
        if word & 0x8000 or not word & 0x0100:
            self._period_ns = round(1e9 / (self._rates[word >> 5 & 7] * self._oscillator))
            self._begun_ns = self._clock.monotonic_ns()

    def _convert(self) -> None:
        """Finish what has had its time by now."""
        if self._begun_ns < 0:
            return
        n_done = (self._clock.monotonic_ns() - self._begun_ns) // self._period_ns
        if n_done < 1:
            return
        word = self._registers[1]
        last_ns = self._begun_ns + n_done * self._period_ns
        if word & 0x0100:
            last_ns, self._begun_ns = self._begun_ns + self._period_ns, -1
        else:
            self._begun_ns = last_ns
        self._registers[0] = self._code(word, last_ns - self._period_ns // 2) & 0xFFFF

    def _code(self, word: int, time_ns: int) -> int:
        multiplexer = word >> 12 & 7
        if multiplexer >= 4:
            volts = self._volts(multiplexer - 4, time_ns)
        else:
            plus, minus = ((0, 1), (0, 3), (1, 3), (2, 3))[multiplexer]
            volts = self._volts(plus, time_ns) - self._volts(minus, time_ns)
        steps = round(volts / _PGA_FULL_SCALE[word >> 9 & 7] * 32768.0 / self._grain)
        limit = 32768 // self._grain
        return max(-limit, min(limit - 1, steps)) * self._grain


class Adxl345:
    """A three-axis accelerometer with a FIFO of 32 samples.

    counts(times) gives what it feels: times int64 ns, shape (n,), counts of 1/256 g as int64, shape (n, 3), in the
    chip's axes. oscillator: it samples faster than nominal by that factor. `stopped`: it answers but measures no more.
    Registers: 00h id, 2Ch rate, 2Dh power, 30h interrupt source, 31h format, 32h-37h data, 38h-39h FIFO.
    """

    LEVELS = 32

    def __init__(self, clock: Clock, counts: Callable[[IntArray], IntArray], *, oscillator: float = 1.0) -> None:
        self._clock = clock
        self._counts = counts
        self._oscillator = oscillator
        self.connected = True
        self.stopped = False
        self.power_cycle()

    def power_cycle(self) -> None:
        """As the chip comes up: asleep, +-2 g, 100 Hz, FIFO off."""
        self._pointer = 0
        self._registers = bytearray(0x40)
        self._registers[0x00] = 0xE5
        self._registers[0x2C] = 0x0A
        self._fifo: deque[bytes] = deque()
        self._front = bytes(6)
        self._overrun = False
        self._started_ns = self._clock.monotonic_ns()
        self._n_made = 0

    def write(self, data: bytes) -> None:
        if not data:
            return
        self._pointer = data[0] & 0x3F
        for value in data[1:]:
            self._set(self._pointer, value)
            self._pointer = self._pointer + 1 & 0x3F

    def read(self, length: int) -> bytes:
        self._measure()
        first, end = self._pointer, self._pointer + length
        if first == 0x32 and length == 6:
            return self._pop()
        out = bytes(self._get(register & 0x3F) for register in range(first, end))
        if first <= 0x37 and end > 0x32:
            self._pop()
        return out

    def _set(self, register: int, value: int) -> None:
        self._measure()
        self._registers[register] = value
        if register in (0x2C, 0x2D):
            self._started_ns, self._n_made = self._clock.monotonic_ns(), 0
        elif register == 0x38 and not value & 0xC0:
            self._fifo.clear()
            self._overrun = False

    def _get(self, register: int) -> int:
        if register == 0x30:
            return (0x80 if self._fifo else 0) | self._overrun
        if 0x32 <= register <= 0x37:
            return (self._fifo[0] if self._fifo else self._front)[register - 0x32]
        return len(self._fifo) if register == 0x39 else self._registers[register]

    def _pop(self) -> bytes:
        self._overrun = False
        if self._fifo:
            self._front = self._fifo.popleft()
        return self._front

    def _measure(self) -> None:
        """Take the samples that have come due, keeping those for which there is room."""
        if self.stopped or not self._registers[0x2D] & 0x08:
            return
        period_ns = 1e9 / (0.09765625 * 2 ** (self._registers[0x2C] & 0x0F) * self._oscillator)
        n_made = int((self._clock.monotonic_ns() - self._started_ns) / period_ns)
        n_new = n_made - self._n_made
        if n_new <= 0:
            return
        k = np.arange(max(self._n_made, n_made - self.LEVELS), n_made) + 1
        words = self._scaled(self._counts(self._started_ns + (k * period_ns).astype(np.int64))).tobytes()
        self._n_made = n_made
        samples = [words[i : i + 6] for i in range(0, len(words), 6)]
        if self._registers[0x38] & 0xC0:
            self._fifo.extend(samples)
            if n_new > self.LEVELS or len(self._fifo) > self.LEVELS:
                self._overrun = True
                while len(self._fifo) > self.LEVELS:
                    self._fifo.popleft()
        else:
            self._front = samples[-1]

    def _scaled(self, counts: IntArray) -> npt.NDArray[np.int16]:
        """In full resolution a count is always 1/256 g; otherwise the range is spread over ten bits."""
        data_format = self._registers[0x31]
        span = data_format & 3
        shift, limit = (0, 512 << span) if data_format & 0x08 else (span, 512)
        words: npt.NDArray[np.int16] = np.clip(counts >> shift, -limit, limit - 1).astype("<i2")
        return words
