"""All parts of one car's wiring as a single object with a single loop body.

The recorder drives it like this, on one thread, with any clock::

    hardware = open_hardware(settings, clock)          # on a Pi; or Hardware(settings, bus, pins, clock)
    hardware.show("recording")                         # the lamp: "recording", "sensor_missing", "not_recording"
    while not stopping:
        batch = hardware.poll(clock.monotonic_ns() + 100_000_000)
        ...                                            # store batch.samples, .pulses, .states, .gaps; publish .health
    last = hardware.finish()                           # what was still on its way, and gaps still open
    hardware.close()

`poll` samples until that time on the clock and returns a `batch.Batch`. It never raises for a sensor that is absent,
stuck or throwing: that is told in `batch.health` and retried with growing pauses, the other sensors go on. Pulse
times come from the kernel and are collected by gpiozero's own thread, so a poll that is late loses none.
"""

import os
from collections.abc import Iterable
from operator import attrgetter
from types import TracebackType
from typing import Any, Protocol, cast

import numpy as np
import numpy.typing as npt

from logger.clock import Clock
from logger.errors import SensorError
from logger.event import IntArray
from logger.sensors.accelerometer import Accelerometer
from logger.sensors.adc import AdcChip
from logger.sensors.batch import Batch, Counts, PartHealth
from logger.sensors.pins import pin_errors
from logger.sensors.pulse_input import PulseInput
from logger.sensors.switches import KeySense, Lamp, LampSignal
from logger.sensors.watch import Watch
from logger.settings import Settings

MARK_DEAD_TIME_US = 300_000.0
"""A thumb on a bouncing button makes one mark."""

EARLY_NS = 4_000_000


class Part(Protocol):
    """One physical part: `step` is called when `due_ns` has come and sets the next."""

    due_ns: int
    watch: Watch

    def step(self) -> None: ...

    def health(self) -> PartHealth: ...

    def close(self) -> None: ...


class Hardware:
    """Every part that the settings describe, on an I2C bus (the methods of `busio.I2C`) and a gpiozero pin factory.

    Nothing is opened before the first `poll`, and nothing that fails to open is fatal. One thread only.
    """

    def __init__(self, settings: Settings, bus: Any, pins: Any, clock: Clock) -> None:
        self._clock = clock
        self._chips = [
            AdcChip(bus, chip, {name: c for name, c in settings.channels.items() if c.chip == chip}, clock)
            for chip in sorted({channel.chip for channel in settings.channels.values()})
        ]
        self._pulses = [
            PulseInput(name, pulse.pin, pulse.edge, pulse.pull, pulse.debounce_us, pins, clock)
            for name, pulse in settings.pulse_inputs.items()
        ]
        if settings.mark_button.fitted:
            mark = PulseInput("driver_marks", settings.mark_button.pin, "falling", "up", MARK_DEAD_TIME_US, pins, clock)
            self._pulses.append(mark)
        self._key = KeySense(settings.key_sense, pins, clock) if settings.key_sense.fitted else None
        self._lamp = Lamp(settings.lamp.pin, pins, clock) if settings.lamp.fitted else None
        self._accelerometer = (
            Accelerometer(bus, settings.accelerometer, clock, self._next_slot_ns)
            if settings.accelerometer.fitted
            else None
        )
        # Of parts due at the same time the first goes first: the ADC's timing is the one that others must not disturb.
        optional: Iterable[Part | None] = (self._accelerometer, self._key, self._lamp)
        self._parts: list[Part] = [*self._chips, *self._pulses, *(part for part in optional if part is not None)]

    def poll(self, until_ns: int) -> Batch:
        """Sample until `until_ns` on the clock and hand out what came."""
        while (part := min(self._parts, key=_due)).due_ns < until_ns:
            self._clock.sleep_until_ns(part.due_ns)
            part.step()
            if isinstance(part, AdcChip):
                self._visit_early()
        self._clock.sleep_until_ns(until_ns)
        return self._batch()

    def _visit_early(self) -> None:
        """Empty the FIFO now, being awake, if that is due before long: waking up costs as much as the visit."""
        accelerometer = self._accelerometer
        if accelerometer is not None:
            now_ns = self._clock.monotonic_ns()
            if accelerometer.due_ns - now_ns < EARLY_NS and self._next_slot_ns() - now_ns > EARLY_NS // 2:
                accelerometer.step()

    def finish(self) -> Batch:
        """What was still on its way, and the gaps still open: the last batch of a recording."""
        for part in (*self._chips, *self._pulses, self._accelerometer, self._key):
            if part is not None:
                part.finish()
        return self._batch()

    def show(self, state: str) -> None:
        """Set what the lamp tells: "recording", "sensor_missing" or "not_recording"."""
        if self._lamp is not None:
            self._lamp.show(cast(LampSignal, state))

    def health(self) -> tuple[PartHealth, ...]:
        """How each part is; lateness counts from the last call."""
        return tuple(part.health() for part in self._parts)

    def close(self) -> None:
        """Put chips to sleep, give pins back; may be called twice."""
        for part in self._parts:
            part.close()

    def __enter__(self) -> "Hardware":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"Hardware({', '.join(map(repr, self._parts))})"

    def _next_slot_ns(self) -> int:
        """When the bus is next wanted by an ADC chip."""
        return min((chip.due_ns for chip in self._chips), default=self._clock.monotonic_ns() + 1_000_000_000)

    def _batch(self) -> Batch:
        samples: dict[str, tuple[IntArray, Counts]] = {}
        pulses: dict[str, IntArray] = {}
        states: dict[str, tuple[IntArray, npt.NDArray[np.int8]]] = {}
        for chip in self._chips:
            chip.take(samples)
        levels = self._accelerometer.take(samples) if self._accelerometer else None
        for pulse in self._pulses:
            pulse.take(pulses)
        if self._key:
            self._key.take(states)
        gaps = tuple(gap for part in self._parts for gap in part.watch.take_gaps())
        return Batch(samples, pulses, states, levels, gaps, self.health())


def open_hardware(settings: Settings, clock: Clock) -> Hardware:
    """The real parts of a Raspberry Pi. Raises SensorError, saying what to do, where this is none or lgpio is missing.

    A bus that is not there is no error here: its sensors are reported missing while pulses are recorded.
    """
    try:
        pins = _pin_factory(settings.recorder.run_dir)
        # Here, because the machine that only runs the demo need not have what it imports.
        from logger.sensors.linux_bus import LinuxBus
    except ImportError as error:
        raise SensorError(
            f"this needs the pins of a Raspberry Pi and a package that is missing here ({error.name}): on the Pi, "
            "install stumblelog[pi]; elsewhere, `stumblelog demo` shows a car that needs none"
        ) from error
    except pin_errors() as error:
        raise SensorError(
            f"this machine's pins cannot be opened: {error}; record on a Raspberry Pi whose user may use its GPIO, "
            "or see `stumblelog demo` for a car that needs none"
        ) from error
    return Hardware(settings, LinuxBus(settings.recorder.i2c_bus), pins, clock)


def _pin_factory(work_dir: str) -> Any:
    """gpiozero's lgpio factory. As it is imported, lgpio puts a named pipe into its work directory, and moves the whole
    process there; we move back, or relative paths would mean something else from then on."""
    before = os.getcwd()
    os.makedirs(work_dir, exist_ok=True)
    os.environ.setdefault("LG_WD", work_dir)
    try:
        from gpiozero.pins.lgpio import LGPIOFactory
    finally:
        os.chdir(before)
    return LGPIOFactory()


_due = attrgetter("due_ns")
