"""A start played to the real sensors and the real recorder, under a clock that only moves when it is waited for."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from logger.event import NS_PER_S
from logger.recorder.recorder import Recorder
from logger.sensors.hardware import Hardware
from logger.settings import Settings
from logger.virtualcar.clock import VirtualClock
from logger.virtualcar.drive import Drive, Signal, clipped
from logger.virtualcar.rig import Rig
from tests.check.starts import Start

BOOT_NS = 30 * NS_PER_S


def part_of(start: Start, t0_s: float, t1_s: float) -> Drive:
    """The start's drive as a logger sees it that has power only then."""
    truth = {"stumbles": [], "distractors": [], "failed_starts": [], "recording": {"hits": []}}
    return clipped(replace(start.drive, truth=truth), t0_s, t1_s)


def torn(drive: Drive, channel: str) -> Drive:
    """The same with that channel's wire open."""
    signal = drive.signals[channel]
    nothing = 0.0 if channel == "sensor_supply_voltage" else np.nan
    wire = Signal(signal.rate_hz, np.full_like(signal.value, nothing))
    return replace(drive, signals={**drive.signals, channel: wire})


class Bench:
    """A rig with a hardware opener as `logger.check.watch` wants it."""

    def __init__(self, drive: Drive, wiring: Settings, *, start_ns: int = BOOT_NS, utc: datetime | None = None) -> None:
        self.clock = VirtualClock(start_ns, utc or datetime(2026, 5, 9, 8, 2, tzinfo=UTC))
        self.wiring = wiring
        self.rig = Rig(drive, wiring, self.clock)
        self.opened = 0
        self.rig.play()

    def open_hardware(self, settings: Settings, clock: object) -> Hardware:
        self.opened += 1
        return Hardware(settings, self.rig.bus, self.rig.pins, self.clock)


def record(
    start: Start,
    data_dir: Path,
    *,
    start_ns: int = BOOT_NS,
    minutes_later: float = 0.0,
    at: dict[float, Callable[[VirtualClock], None]] | None = None,
) -> Settings:
    """Record the whole start; `at`: what else happens, by seconds of the recording. Returns the recorder's settings."""
    folders = replace(start.settings.recorder, data_dir=str(data_dir), run_dir=str(data_dir / "run"))
    wiring = replace(start.settings, recorder=folders)
    utc = datetime(2026, 5, 9, 8, 2 + round(minutes_later), tzinfo=UTC)
    bench = Bench(start.drive, wiring, start_ns=start_ns, utc=utc)
    for seconds, happen in (at or {}).items():
        bench.clock.call_at(start_ns + round(seconds * NS_PER_S), lambda happen=happen: happen(bench.clock))
    recorder = Recorder(
        wiring, bench.open_hardware(wiring, bench.clock), bench.clock,
        inline=True, durable=False, clock_is_set=True, say=lambda text: None,
    )  # fmt: skip
    recorder.run(until_ns=bench.rig.end_ns)
    return wiring
