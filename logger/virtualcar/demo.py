"""The demo day, recorded by the real recorder through the real drivers, faster than real time."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from logger import settings
from logger.event import NS_PER_S
from logger.recorder.recorder import Recorder
from logger.sensors.hardware import Hardware
from logger.settings import EventSettings, Settings
from logger.virtualcar.clock import VirtualClock
from logger.virtualcar.drive import DemoEvent, Drive
from logger.virtualcar.rig import Rig
from logger.virtualcar.scenario import demo_event

BOOT_NS = 30 * NS_PER_S
"""Monotonic time at the start of the event: the logger was switched on a moment before."""

UNKNOWN_START = datetime(2026, 5, 9, 8, 0, tzinfo=UTC)


def record_demo(data_dir: Path, progress: Callable[[float], None], *, seed: int = 1) -> DemoEvent:
    """Record every drive of the demo event into `data_dir`, as a Pi in the car would have, one file per power-up.

    progress is called with the share done, 0 to 1. Returns the event, with its truth and its repairs. Raises StoreError
    where `data_dir` cannot be written.
    """
    progress(0.0)
    event = demo_event(seed)
    total_s = sum(drive.duration_s for drive in event.drives)
    done_s = 0.0

    def tell(second_s: float) -> None:
        progress(min(1.0, (done_s + second_s) / total_s))

    for number, drive in enumerate(event.drives):
        record_drive(event, drive, data_dir, tell, seed + number)
        done_s += drive.duration_s
    progress(1.0)
    return event


def record_drive(
    event: DemoEvent, drive: Drive, data_dir: Path, progress: Callable[[float], None], seed: int = 1
) -> None:
    """Record one drive; progress is called with the seconds of car time that have been recorded."""
    started_utc = (event.started_utc or UNKNOWN_START) + timedelta(seconds=drive.offset_s)
    clock = VirtualClock(BOOT_NS + round(drive.offset_s * NS_PER_S), started_utc)
    wiring = demo_settings(event, drive, data_dir)
    rig = Rig(drive, wiring, clock, seed=seed)
    recorder = Recorder(
        wiring,
        Hardware(wiring, rig.bus, rig.pins, clock),
        clock,
        origin="virtual",
        inline=True,
        durable=False,
        clock_is_set=True,
        say=lambda text: None,
    )

    def tell() -> None:
        progress((clock.monotonic_ns() - rig.start_ns) / NS_PER_S)
        clock.call_at(clock.monotonic_ns() + NS_PER_S, tell)

    tell()
    rig.play()
    recorder.run(until_ns=rig.end_ns)


def demo_settings(event: DemoEvent, drive: Drive, data_dir: Path) -> Settings:
    """The default wiring on the demo car, with what the drive has signals for."""
    wiring = settings.default()
    return replace(
        wiring,
        engine=event.engine,
        event=EventSettings(event.name, event.kind),
        channels={name: channel for name, channel in wiring.channels.items() if name in drive.signals},
        recorder=replace(wiring.recorder, data_dir=str(data_dir), run_dir=str(data_dir / "run")),
    )
