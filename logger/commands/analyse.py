"""`stumblelog analyse`: find the stumbles in a capture folder or a stored event."""

import argparse
import json
from pathlib import Path

from logger.commands import terminal
from logger.errors import CaptureError

HELP = "Find each moment the engine stumbled in a capture folder or a stored event, and what failed first."
EXAMPLE = "stumblelog analyse hollow-quarry-round-3 --json"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("event", metavar="FOLDER", help="a folder that holds capture.toml")
    parser.add_argument("--json", action="store_true", help="print the findings as one JSON object")


def run(args: argparse.Namespace) -> int:
    from logger.analysis import analyse
    from logger.store.capture import read_folder

    folder = Path(args.event)
    if not folder.is_dir():
        raise CaptureError(f"{folder}: no such folder; give the folder that holds capture.toml")
    event = read_folder(folder)
    with terminal.progress("analysing") as progress:
        findings = analyse(event, progress=progress)
    print(json.dumps(findings.as_json(), allow_nan=False))
    return 0
