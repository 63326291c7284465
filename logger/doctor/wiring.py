"""The wiring: which chips answer where, whether they are what the settings say, what the inputs read, what the bus
has to carry."""

from collections.abc import Mapping
from typing import Any, Protocol

from logger.channels import CHANNELS
from logger.check.box import OPTIONAL_PARTS
from logger.check.line import CheckLine, Verdict
from logger.check.observation import TACH, Observation
from logger.check.sensors import broken_wire
from logger.clock import Clock
from logger.doctor.host import Host
from logger.errors import SensorError
from logger.sensors.batch import PartHealth
from logger.sensors.budget import BITS_PER_BYTE, BUS_HZ, TRANSFER_S, bus_loads
from logger.settings import Settings

ADXL345_ID = 0xE5
THRESHOLDS_AFTER_RESET = (0x8000, 0x7FFF)
"""Lo_thresh and Hi_thresh of an ADS1115 or ADS1015, which nothing here ever writes (data sheet SBAS444)."""

RAIL_V = 3.2
FULL_BUS, BUSY_BUS = 0.9, 0.6
MEASURED_READS = 50
ADC_WORDS = "an ADC (ADS1115 or ADS1015)"
ACCELEROMETER_WORDS = "an accelerometer (ADXL345)"


class BusLike(Protocol):
    """What is asked of a bus: `logger.sensors.linux_bus.LinuxBus`."""

    def try_lock(self) -> bool: ...

    def unlock(self) -> None: ...

    def scan(self) -> list[int]: ...

    def writeto_then_readfrom(self, address: int, out_buffer: bytes, in_buffer: bytearray) -> None: ...


def wanted(settings: Settings) -> dict[int, str]:
    """Address to what the settings have there."""
    chips = {channel.chip: ADC_WORDS for channel in settings.channels.values()}
    return chips | ({settings.accelerometer.address: ACCELEROMETER_WORDS} if settings.accelerometer.fitted else {})


def bus(found: BusLike, settings: Settings) -> list[CheckLine]:
    """Addresses that answer against those of the settings, and what is really there."""
    try:
        there = {address: identify(found, address) for address in found.scan() if 0x08 <= address <= 0x77}
    except OSError as error:
        todo = "A wire held down stops all: unplug the boards one by one. No bus at all: switch I2C on (hardware/)."
        return [CheckLine("bus", "I2C bus", str(error.strerror or error), "answers", "stop", todo)]
    asked = wanted(settings)
    spare = {address: what for address, what in there.items() if address not in asked}
    lines = [_chip(address, what, there.get(address), spare) for address, what in sorted(asked.items())]
    lines += [
        CheckLine(
            f"0x{address:02x}", f"Chip 0x{address:02x}", what, "nothing", "look",
            "The settings use nothing there; unplug it, or correct a chip's address in them.",
        )
        for address, what in spare.items()
    ]  # fmt: skip
    return lines


def _chip(address: int, wanted_is: str, found: str | None, spare: Mapping[int, str]) -> CheckLine:
    name, label = f"0x{address:02x}", f"Chip 0x{address:02x}"
    if found == wanted_is:
        return CheckLine(name, label, found, wanted_is)
    if found is not None:
        todo = f"At {name} there is {found}: is the right board plugged in, with its address pin where it belongs?"
        return CheckLine(name, label, found, wanted_is, "stop", todo)
    twin = next((other for other, what in spare.items() if what == wanted_is), None)
    todo = "Look at its plug, its 3.3 V and its address pin."
    if twin is not None:
        todo = f"One like it answers at 0x{twin:02x}: its address pin is tied elsewhere, or the settings are wrong."
    return CheckLine(name, label, "nothing answers", wanted_is, "stop", todo)


def identify(found: BusLike, address: int) -> str:
    """What answers there, by registers that only such a chip has."""
    if tuple(_word(found, address, register) for register in (2, 3)) == THRESHOLDS_AFTER_RESET:
        return ADC_WORDS
    if _word(found, address, 0) >> 8 == ADXL345_ID:
        return ACCELEROMETER_WORDS
    return "another chip"


def _word(found: BusLike, address: int, register: int) -> int:
    """Two bytes from a register; -1 where the chip will not be read."""
    buffer = bytearray(2)
    while not found.try_lock():
        pass
    try:
        found.writeto_then_readfrom(address, bytes([register]), buffer)
    except OSError:
        return -1
    finally:
        found.unlock()
    return int.from_bytes(buffer, "big")


def parts(health: tuple[PartHealth, ...]) -> list[CheckLine]:
    """How each part fares in use: what it answers, errors on the bus, which chip it turned out to be."""
    return [_part(part) for part in health]


def _part(part: PartHealth) -> CheckLine:
    label = f"{part.part}, {part.where}"
    model = str(part.details.get("model", ""))
    if part.state in ("missing", "noisy"):
        verdict: Verdict = "look" if part.part in OPTIONAL_PARTS else "stop"
        return CheckLine(part.part, label, part.state, "ok", verdict, _sentence(part.message, part.where))
    said = "no edge yet" if part.state == "starting" else f"{part.samples} samples" if part.samples else "ok"
    if model == "ADS1015":
        todo = "A 12-bit ADS1015 is on this board, 16 times coarser than an ADS1115: it works, in steps of 2 mV."
        return CheckLine(part.part, label, f"{said}, ADS1015", "ADS1115", "look", todo)
    if part.samples and part.part.startswith(("adc", "accel")) and part.errors > 0.001 * part.samples:
        todo = "The bus is disturbed: shorter wires, away from coil lead and starter cable; is its ground the star's?"
        return CheckLine(part.part, label, f"{part.errors} errors in {part.samples}", "none", "look", todo)
    if part.part == TACH and part.samples and part.errors > 0.2 * part.samples:
        todo = "The tach wire rings or picks up noise: look at its route, its ground and the input's capacitor."
        return CheckLine(part.part, label, f"{part.errors} of {part.samples} edges refused", "few", "look", todo)
    return CheckLine(part.part, label, said + (f", {model}" if model == "ADS1115" else ""), "ok")


def _sentence(message: str, where: str) -> str:
    words = message or f"look at {where}"
    if "busy" in words.lower() or "in use" in words.lower():
        words += "; another program or overlay has that pin: choose another, or stop it"
    return f"{words[:1].upper()}{words[1:]}."


def inputs(observation: Observation, settings: Settings) -> list[CheckLine]:
    """Inputs that read at an end: an open divider, a wire off, a short."""
    lines = []
    for channel, wiring in settings.channels.items():
        if channel not in observation.pin_v:
            continue
        where = f"chip 0x{wiring.chip:02x} A{wiring.input}"
        pin_v = observation.pin_v[channel]
        broken = broken_wire(observation, settings, channel)
        verdict: Verdict = "ok"
        todo = ""
        if pin_v > RAIL_V:
            verdict = "look"
            todo = f"At {where} the input lies at its rail: the divider's lower resistor is open, or a wire is short."
        elif broken is not None:
            verdict, todo = "look", broken.todo
        elif channel == "battery_voltage" and pin_v < 0.1:
            verdict, todo = "look", f"At {where} there is no voltage: look at the tap's fuse and upper resistor."
        lines.append(CheckLine(channel, CHANNELS[channel].label, f"{pin_v:.3f} V at {where}", "inside", verdict, todo))
    return lines


def budget(settings: Settings, host: Host, transfer_s: float | None = None) -> CheckLine:
    """Share of the bus's time that the settings ask for, at the bus's own speed. transfer_s: overhead as measured."""
    hertz = bus_hz(host)
    overhead = TRANSFER_S if transfer_s is None else transfer_s
    loads = bus_loads(settings)
    share = sum(load.transfers * overhead + load.bytes * BITS_PER_BYTE / (hertz or BUS_HZ) for load in loads)
    how = "assumed" if transfer_s is None else "measured"
    said = f"{100 * share:.0f} % at {(hertz or BUS_HZ) / 1000:.0f} kHz, {1e6 * overhead:.0f} µs a transfer {how}"
    expected = f"less than {100 * BUSY_BUS:.0f} %"
    if share <= BUSY_BUS:
        return CheckLine("budget", "Bus time", said, expected)
    todo = "Lower rate_hz of channels or of the accelerometer."
    if hertz is not None and hertz < BUS_HZ:
        todo = "Set the bus to 400 kHz: dtparam=i2c_arm_baudrate=400000 in the boot configuration."
    return CheckLine("budget", "Bus time", said, expected, "stop" if share > FULL_BUS else "look", todo)


def bus_hz(host: Host) -> int | None:
    """The bus's clock by the device tree; None where it does not say."""
    node = host.read("/proc/device-tree/aliases/i2c1")
    if node is None:
        return None
    try:
        raw = host.path(f"/proc/device-tree{node}/clock-frequency").read_bytes()
    except OSError:
        return None
    return int.from_bytes(raw[:4], "big") if len(raw) >= 4 else None


def measured_transfer_s(found: BusLike, address: int, clock: Clock, hertz: int) -> float | None:
    """Overhead of one transfer, beyond its bytes: mean of fifty reads of a word; None where nothing answers."""
    begun_ns = clock.monotonic_ns()
    if any(_word(found, address, 2) < 0 for _ in range(MEASURED_READS)):
        return None
    each_s = (clock.monotonic_ns() - begun_ns) / 1e9 / MEASURED_READS
    n_bytes = 5  # address, register, address again, two bytes
    return max(0.0, each_s - n_bytes * BITS_PER_BYTE / hertz)


def no_pins(error: SensorError) -> CheckLine:
    """This machine has neither bus nor pins."""
    return CheckLine("pins", "Pins and bus", "none that can be opened", "a Raspberry Pi's", "look", f"{error}.")


def speaks(live: Mapping[str, Any]) -> CheckLine:
    """The recorder runs and is asked instead of the bus."""
    said = f"{live.get('state')}, pid {live.get('pid')}"
    return CheckLine("recorder", "Recorder", said, "asked, the bus is its own")
