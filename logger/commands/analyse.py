"""`stumblelog analyse`: find the stumbles in a capture folder or a stored event."""

import argparse
import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logger.commands import terminal
from logger.commands.common import add_data_dir, open_store
from logger.errors import CaptureError

if TYPE_CHECKING:
    from logger.event import Event

HELP = "Find each moment the engine stumbled in a capture folder or a stored event, and what failed first."
EXAMPLE = "stumblelog analyse hollow-quarry-round-3 --json"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "event", metavar="FOLDER_OR_EVENT", help="a folder that holds capture.toml, or the id of a stored event"
    )
    parser.add_argument("--json", action="store_true", help="print the findings as one JSON object")
    add_data_dir(parser)


def run(args: argparse.Namespace) -> int:
    from logger.report import text_report

    with terminal.progress("analysing") as progress:
        event, findings = _analyse(args, progress)
    print(json.dumps(findings, allow_nan=False) if args.json else text_report(event, findings).rstrip("\n"))
    return 0


def _analyse(args: argparse.Namespace, progress: Callable[[float], None]) -> "tuple[Event, dict[str, Any]]":
    if Path(args.event).is_dir():
        from logger.analysis import analyse
        from logger.store.capture import read_folder

        event = read_folder(Path(args.event))
        return event, analyse(event, progress=progress).as_json()
    if "/" in args.event or args.event.startswith("."):
        raise CaptureError(f"{args.event}: no such folder; give the folder that holds capture.toml")
    from logger.work import analyse_event

    with open_store(args) as store:
        event_id = store.find(args.event)
        findings = analyse_event(store, event_id, progress)
        return store.event(event_id), findings
