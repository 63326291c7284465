"""`stumblelog record`: the recorder, until it is told to stop."""

import argparse
import gc
from dataclasses import replace
from pathlib import Path

from logger.commands.common import add_settings, settings_of

HELP = "Record the car's sensors until stopped; the service does this from power-up."
EXAMPLE = "stumblelog record --settings /etc/stumblelog/settings.toml"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_settings(parser)
    parser.add_argument("--data-dir", type=Path, metavar="DIR", help="folder of recordings, instead of the settings'")
    parser.add_argument("--run-dir", type=Path, metavar="DIR", help="folder of live values, instead of the settings'")


def run(args: argparse.Namespace) -> int:
    gc.disable()  # while everything is loaded; the recorder switches it on again
    from logger.recorder.daemon import record

    settings = settings_of(args)
    recorder = replace(
        settings.recorder,
        data_dir=str(args.data_dir or settings.recorder.data_dir),
        run_dir=str(args.run_dir or settings.recorder.run_dir),
    )
    return record(replace(settings, recorder=recorder))
