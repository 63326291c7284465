"""`stumblelog import`: take a capture folder in."""

import argparse
from pathlib import Path

from logger.commands import terminal
from logger.commands.common import add_data_dir, open_store

HELP = "Take a folder of CSV files with a capture.toml in as one event, whole or not at all."
EXAMPLE = "stumblelog import hollow-quarry-round-3"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="a folder that holds capture.toml")
    add_data_dir(parser)


def run(args: argparse.Namespace) -> int:
    with open_store(args) as store, terminal.progress("importing") as progress:
        event_id = store.import_folder(args.folder, progress)
    print(event_id)
    return 0
