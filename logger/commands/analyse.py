"""`stumblelog analyse`: find the stumbles in a capture folder or a stored event."""

import argparse
import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logger.circumstances import CIRCUMSTANCES
from logger.commands import terminal
from logger.commands.common import add_data_dir, open_store, reader_of
from logger.errors import CaptureError, SettingsError

if TYPE_CHECKING:
    from logger.analysis.findings import Findings
    from logger.event import Event
    from logger.report import Reader

HELP = "Find each moment the engine stumbled in a capture folder or a stored event, and what failed first."
EXAMPLE = "stumblelog analyse hollow-quarry-round-3 --json"

EXIT_NOT_PASSED = 1


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "event", metavar="FOLDER_OR_EVENT", help="a folder that holds capture.toml, or the id of a stored event"
    )
    parser.add_argument(
        "--commission",
        action="store_true",
        help="judge a recording of the standing car in which the coil feed, then the pump feed, was interrupted on "
        "purpose; exit code 1 where it does not pass",
    )
    parser.add_argument(
        "--earlier",
        action="append",
        default=[],
        metavar="FOLDER",
        help="a capture folder of an earlier day of the same car, the oldest first, to find what is off all day; of a "
        "stored event the logbook knows them",
    )
    parser.add_argument("--json", action="store_true", help="print the findings as one JSON object")
    parser.add_argument(
        "--enter",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help=f"first enter for a stored event: {', '.join(CIRCUMSTANCES)}; an empty value takes back",
    )
    add_data_dir(parser)


def run(args: argparse.Namespace) -> int:
    with terminal.progress("analysing") as progress:
        event, findings, reader = _analyse(args, progress)
    if args.commission:
        return _judge(event, findings, as_json=args.json)
    if args.json:
        print(json.dumps(findings.as_json(), allow_nan=False))
    else:
        from logger.report import text_report

        print(text_report(event, findings.as_json(), reader), end="")
    return 0


def _analyse(args: argparse.Namespace, progress: Callable[[float], None]) -> "tuple[Event, Findings, Reader]":
    entered = dict(_pair(text) for text in args.enter)
    if Path(args.event).is_dir():
        if entered:
            raise SettingsError("--enter is for a stored event; import the folder first")
        from logger.analysis import analyse
        from logger.store.capture import read_folder

        event, earlier = read_folder(Path(args.event)), _learned(args.earlier, args.event)
        return event, analyse(event, earlier=earlier, progress=progress), reader_of(args)
    if args.earlier:
        raise SettingsError("--earlier is for a capture folder; of a stored event the logbook knows the earlier ones")
    if Path(args.event).is_file():
        raise CaptureError(f"{args.event}: a file, and no folder that holds capture.toml; take it in with import first")
    if "/" in args.event or args.event.startswith("."):
        raise CaptureError(f"{args.event}: no such folder; give the folder that holds capture.toml")
    from logger.work import analyse_event

    with open_store(args) as store:
        event_id = store.find(args.event)
        store.enter_circumstances(event_id, entered)
        if args.commission:
            store.commission(event_id)
        findings = analyse_event(store, event_id, progress)
        return store.event_on_file(event_id), findings, reader_of(args, store)


def _learned(folders: Sequence[str], today: str) -> list[dict[str, Any]]:
    """What earlier days taught."""
    from logger.analysis import analyse
    from logger.event import same_car
    from logger.store.capture import read_folder

    engine, taught = read_folder(Path(today)).engine, []
    for folder in folders:
        event = read_folder(Path(folder))
        if not same_car(event.engine, engine):
            raise CaptureError(f"{folder}: its engine is described as another one than that of {today}")
        taught.append(analyse(event).normal)
    return taught


def _pair(text: str) -> tuple[str, str]:
    name, is_there, value = text.partition("=")
    if not is_there:
        raise SettingsError(f"--enter {text!r}: write NAME=VALUE, such as road=wet")
    return name.strip(), value.strip()


def _judge(event: "Event", findings: "Findings", *, as_json: bool) -> int:
    from logger.analysis.commission import judge

    result = judge(findings, event)
    print(
        json.dumps(result.as_json(), allow_nan=False) if as_json else "\n- ".join([result.sentence, *result.problems])
    )
    return 0 if result.passed else EXIT_NOT_PASSED
