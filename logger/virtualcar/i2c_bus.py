"""The car's I2C bus, whose transactions take their time and can fail."""

import errno
from collections.abc import Callable
from typing import Protocol

BYTE_NS = 22_500
"""Nine bits at 400 kHz."""

TRANSACTION_NS = 40_000
"""What start, stop and the system call add, an assumption of the size seen on small boards."""

HANG_NS = 20_000_000
"""How long the kernel waits for a bus that is held down, as the recorder sets it."""


class Chip(Protocol):
    """What the bus asks of a chip. `connected` is its plug."""

    connected: bool

    def write(self, data: bytes) -> None: ...

    def read(self, length: int) -> bytes: ...


class Bus:
    """Stands where `busio.I2C` would: the same methods, the same errors, and transactions that take their time."""

    def __init__(self, spend: Callable[[int], None] | None = None) -> None:
        self._spend = spend
        self._locked = False
        self._chips: dict[int, Chip] = {}
        self.hung = False
        self.refusals: dict[int, int] = {}
        """Address to how many more transactions the chip there refuses."""

    def attach(self, address: int, chip: Chip) -> None:
        self._chips[address] = chip

    def try_lock(self) -> bool:
        if self._locked:
            return False
        self._locked = True
        return True

    def unlock(self) -> None:
        self._locked = False

    def scan(self) -> list[int]:
        """Addresses at which something answers."""
        if self.hung:
            self._take(HANG_NS)
            raise OSError(errno.ETIMEDOUT, "Connection timed out")
        return sorted(address for address, chip in self._chips.items() if chip.connected)

    def writeto(self, address: int, buffer: bytes, *, start: int = 0, end: int | None = None) -> None:
        data = bytes(buffer[start:end])
        self._chip(address, 1 + len(data)).write(data)

    def readfrom_into(self, address: int, buffer: bytearray, *, start: int = 0, end: int | None = None) -> None:
        length = (len(buffer) if end is None else end) - start
        buffer[start : start + length] = self._chip(address, 1 + length).read(length)

    def writeto_then_readfrom(
        self,
        address: int,
        out_buffer: bytes,
        in_buffer: bytearray,
        *,
        out_start: int = 0,
        out_end: int | None = None,
        in_start: int = 0,
        in_end: int | None = None,
    ) -> None:
        data = bytes(out_buffer[out_start:out_end])
        length = (len(in_buffer) if in_end is None else in_end) - in_start
        chip = self._chip(address, 2 + len(data) + length)
        chip.write(data)
        in_buffer[in_start : in_start + length] = chip.read(length)

    def _chip(self, address: int, n_bytes: int) -> Chip:
        if self.hung:
            self._take(HANG_NS)
            raise OSError(errno.ETIMEDOUT, "Connection timed out")
        self._take(TRANSACTION_NS + n_bytes * BYTE_NS)
        chip = self._chips.get(address)
        if chip is None or not chip.connected:
            raise OSError(errno.EREMOTEIO, "Remote I/O error")
        if self.refusals and self.refusals.get(address, 0) > 0:
            self.refusals[address] -= 1
            raise OSError(errno.EREMOTEIO, "Remote I/O error")
        return chip

    def _take(self, duration_ns: int) -> None:
        if self._spend is not None:
            self._spend(duration_ns)
