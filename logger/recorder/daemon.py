"""The recorder as a service: real hardware, signals, the service manager. `stumblelog record` ends up here."""

import gc
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from types import FrameType

from logger.clock import Clock, SystemClock
from logger.recorder.live import make_run_dir
from logger.recorder.notify import Notifier
from logger.recorder.power import request_power_off, withdraw_request
from logger.recorder.recorder import HardwareLike, Recorder
from logger.settings import Settings

OpenHardware = Callable[[Settings, Clock], HardwareLike]

INTERPRETER_SWITCH_S = 0.001
"""A commit must not keep the sampling thread from running for the interpreter's usual 5 ms."""


def record(settings: Settings, open_hardware: OpenHardware | None = None) -> int:
    """Record until SIGTERM, SIGINT or the end of the power hold; returns the exit code (1 where the recording could not
    be closed cleanly). A data directory that cannot be written is waited for.

    Raises StoreError (no run directory), SettingsError or SensorError where recording cannot begin at all.
    """
    clock = SystemClock()
    run_dir = Path(settings.recorder.run_dir)
    # The pins' library puts a file of its own there before the recorder gets to.
    make_run_dir(run_dir)
    withdraw_request(run_dir)
    hardware = (open_hardware or _open_hardware)(settings, clock)
    recorder = Recorder(settings, hardware, clock, notifier=Notifier())

    def stop(number: int, frame: FrameType | None) -> None:
        recorder.stop()

    calm_interpreter()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, stop)
    health = recorder.run()
    if recorder.wants_power_off:
        request_power_off(run_dir)
    return 1 if health.commit.problem else 0


def calm_interpreter() -> None:
    """Keep the interpreter's own pauses short: hand-overs between threads, and garbage collections.

    A collection looks through everything loaded at the start again and again; measured: slots 10 ms apart were missed.
    Until here `stumblelog record` goes without any, which brings the first sample 10 ms forward.
    """
    sys.setswitchinterval(INTERPRETER_SWITCH_S)
    gc.freeze()
    gc.enable()


def _open_hardware(settings: Settings, clock: Clock) -> HardwareLike:
    # Imported only now: what is wrong with the settings or the card is said without waiting for the drivers.
    from logger.sensors.hardware import open_hardware

    hardware: HardwareLike = open_hardware(settings, clock)
    return hardware
