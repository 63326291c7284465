"""The Pi's I2C bus through the kernel's /dev/i2c-N, with the methods that the chip drivers expect of a bus.

The drivers' usual way there is a board object, whose import probes the hardware and may ask questions at a terminal.
The class under it talks to the kernel and needs none of that; what it lacks is the lock, a limit on how long a bus
that is held down may block us, and an error in words where the bus is not there.
"""

import errno
import fcntl
from typing import Any

from adafruit_blinka.microcontroller.generic_linux.i2c import I2C  # type: ignore[import-untyped]

_I2C_RETRIES = 0x0701
_I2C_TIMEOUT = 0x0702
TIMEOUT_10_MS = 2
"""Of the kernel's transfers, in its unit of 10 ms: long against a transfer of 0.3 ms, short against a lost second."""


class LinuxBus:
    """Bus `number`, opened at the first transfer and again after it was missing, so that its absence is no end."""

    def __init__(self, number: int) -> None:
        self.number = number
        self._i2c: I2C | None = None
        self._locked = False

    def try_lock(self) -> bool:
        if self._locked:
            return False
        self._locked = True
        return True

    def unlock(self) -> None:
        self._locked = False

    def scan(self) -> list[int]:
        """Addresses at which something answers. Raises OSError where the bus cannot be opened."""
        return list(self._open().scan())

    def writeto(self, address: int, buffer: bytes, **where: Any) -> None:
        self._open().writeto(address, buffer, **where)

    def readfrom_into(self, address: int, buffer: bytearray, **where: Any) -> None:
        self._open().readfrom_into(address, buffer, **where)

    def writeto_then_readfrom(self, address: int, out_buffer: bytes, in_buffer: bytearray, **where: Any) -> None:
        self._open().writeto_then_readfrom(address, out_buffer, in_buffer, **where)

    def __repr__(self) -> str:
        return f"LinuxBus({self.number}; {'not open' if self._i2c is None else 'open'})"

    def _open(self) -> I2C:
        if self._i2c is None:
            try:
                i2c = I2C(self.number)
            except RuntimeError as error:
                message = f"there is no I2C bus {self.number}; switch I2C on in the Pi's configuration and restart"
                raise OSError(errno.ENODEV, message) from error
            handle = i2c._i2c_bus._device.fileno()
            fcntl.ioctl(handle, _I2C_RETRIES, 0)
            fcntl.ioctl(handle, _I2C_TIMEOUT, TIMEOUT_10_MS)
            self._i2c = i2c
        return self._i2c
