"""`stumblelog export`: write an event to files for somebody else."""

import argparse
from pathlib import Path

from logger.commands import terminal
from logger.commands.common import add_data_dir, add_event, open_store

HELP = "Write an event as a folder of CSV files that any program, or import, can read."
EXAMPLE = "stumblelog export latest --as csv --to hollow-quarry-round-3"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_event(parser)
    parser.add_argument("--as", dest="form", choices=["csv"], default="csv", help="csv: a capture folder")
    parser.add_argument("--to", type=Path, required=True, metavar="DIR", help="the folder to write; it must not exist")
    parser.add_argument("--overwrite", action="store_true", help="replace a capture folder of that name")
    add_data_dir(parser)


def run(args: argparse.Namespace) -> int:
    with open_store(args) as store:
        event_id = store.find(args.event)
        with terminal.progress("exporting") as progress:
            store.export_csv(event_id, args.to, overwrite=args.overwrite, progress=progress)
    print(args.to)
    return 0
