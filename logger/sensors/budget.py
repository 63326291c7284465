"""What the sensors ask of the I2C bus: the table behind `doctor` and hardware/."""

from dataclasses import dataclass

from logger.sensors.accelerometer import VISIT_SAMPLES
from logger.sensors.adc import CHECK_EVERY
from logger.settings import Settings

BUS_HZ = 400_000
BITS_PER_BYTE = 9
TRANSFER_S = 40e-6
"""Start, stop and system call of one transfer: an assumption; `doctor` measures the real one."""

START_BYTES = 4
"""Address, pointer, two bytes of configuration."""

RESULT_BYTES = 5
"""Address, pointer, address again, two bytes."""

SAMPLE_BYTES = 9
STATUS_BYTES = 4


@dataclass(frozen=True, slots=True)
class Load:
    """One part's use of the bus, each second."""

    part: str
    transfers: float
    bytes: float

    def share(self, transfer_s: float = TRANSFER_S) -> float:
        """Share of the bus's time, 0 to 1."""
        return self.transfers * transfer_s + self.bytes * BITS_PER_BYTE / BUS_HZ


def bus_loads(settings: Settings) -> tuple[Load, ...]:
    """Each ADC chip's and the accelerometer's use of the bus."""
    loads = []
    for chip in sorted({channel.chip for channel in settings.channels.values()}):
        rate = sum(channel.rate_hz for channel in settings.channels.values() if channel.chip == chip)
        checks = rate / CHECK_EVERY
        loads.append(
            Load(f"adc 0x{chip:02x}", 2 * rate + checks, rate * (START_BYTES + RESULT_BYTES) + checks * RESULT_BYTES)
        )
    if settings.accelerometer.fitted:
        rate = settings.accelerometer.rate_hz
        visits = rate / VISIT_SAMPLES
        loads.append(Load("accelerometer", rate + visits, rate * SAMPLE_BYTES + visits * STATUS_BYTES))
    return tuple(loads)
