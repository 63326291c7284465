"""`stumblelog repair`: enter work done on the car."""

import argparse
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from logger.commands.common import add_data_dir, add_event, open_store
from logger.errors import SettingsError
from logger.event import CAUSES

if TYPE_CHECKING:
    from logger.store.store import Store

HELP = "Enter work done on the car, so that the analysis can say whether it helped."
EXAMPLE = 'stumblelog repair latest "renewed the coil feed wire" --after-recording r03 --suspect ignition_primary'


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_event(parser)
    parser.add_argument("what", metavar="WHAT", help="what was done, in your words")
    when = parser.add_mutually_exclusive_group()
    when.add_argument(
        "--when", metavar="TIME", help="date and time, such as 2026-05-09T10:30 (without a zone: this machine's)"
    )
    when.add_argument("--after-recording", metavar="NAME", help="the recording after which it was done (default: last)")
    parser.add_argument("--suspect", choices=CAUSES, help="the cause it was meant to cure")
    add_data_dir(parser)


def run(args: argparse.Namespace) -> int:
    with open_store(args) as store:
        event_id = store.find(args.event)
        offset_ns = None if args.when is None else _offset_ns(store, event_id, args.when)
        store.add_repair(
            event_id, args.what, offset_ns=offset_ns, after_recording=args.after_recording, suspect=args.suspect
        )
    return 0


def _offset_ns(store: "Store", event_id: str, when: str) -> int:
    try:
        moment = datetime.fromisoformat(when).astimezone()
    except ValueError as error:
        raise SettingsError(f"--when is {when!r}; write date and time as 2026-05-09T10:30") from error
    started_utc = store.outline(event_id).started_utc
    if started_utc is None:
        raise SettingsError(f"--when cannot be placed: no clock was known at {event_id}; use --after-recording instead")
    return (moment - started_utc) // timedelta(microseconds=1) * 1000
