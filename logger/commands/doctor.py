"""`stumblelog doctor`: what is wrong with this machine and its wiring."""

import argparse
import json
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logger.commands.check import print_lines
from logger.commands.common import add_settings, settings_of

if TYPE_CHECKING:
    from logger.settings import Settings

HELP = "Say in words what is wrong with this machine, its wiring and its bus, and what is missing for which function."
EXAMPLE = "stumblelog doctor --settings /etc/stumblelog/settings.toml"

EXIT_STOP = 1


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print the lines as one JSON list")
    parser.add_argument("--run-dir", type=Path, metavar="DIR", help="where the recorder keeps its live values")
    parser.add_argument("--data-dir", type=Path, metavar="DIR", help="folder of recordings, instead of the settings'")
    add_settings(parser)


def run(args: argparse.Namespace) -> int:
    from logger.check.line import SAFETY_PAGE, worst
    from logger.clock import SystemClock
    from logger.doctor import machine_lines, wiring_lines
    from logger.doctor.host import Host
    from logger.sensors.hardware import open_hardware

    settings = settings_of(args)
    recorder = replace(
        settings.recorder,
        data_dir=str(args.data_dir or settings.recorder.data_dir),
        run_dir=str(args.run_dir or settings.recorder.run_dir),
    )
    settings = replace(settings, recorder=recorder)
    host = Host()
    machine = machine_lines(settings, host)
    wired = wiring_lines(settings, SystemClock(), host, _open_bus, open_hardware)
    if args.json:
        print(json.dumps([asdict(line) for line in (*machine, *wired)], allow_nan=False))
    else:
        print("This machine")
        print_lines(machine)
        print(f"\nThe wiring (before you touch it: {SAFETY_PAGE})")
        print_lines(wired)
    return EXIT_STOP if worst([*machine, *wired]) == "stop" else 0


def _open_bus(settings: "Settings") -> Any:
    from logger.sensors.linux_bus import LinuxBus

    return LinuxBus(settings.recorder.i2c_bus)
