"""`stumblelog repair`: enter work done on the car, and see whether it helped."""

import argparse
import json
import sys
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from logger.commands.common import add_data_dir, fresh_findings, open_store, reader_of
from logger.errors import AnalysisError, SettingsError
from logger.event import CAUSES

if TYPE_CHECKING:
    from logger.report import Reader
    from logger.season import Repaired, Season
    from logger.store.store import Store

HELP = "Enter work done on the car; without WHAT, list all repairs with their verdicts and what is still needed."
EXAMPLE = 'stumblelog repair latest "renewed the coil feed wire" --after-recording r03 --suspect ignition_primary'

FAR = timedelta(days=731)
"""From the event: a repair written down later than this has its year mistyped."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "event", nargs="?", metavar="EVENT", help='the event\'s id or the beginning of it, its name, or "latest"'
    )
    parser.add_argument("what", nargs="?", metavar="WHAT", help="what was done, in your words")
    when = parser.add_mutually_exclusive_group()
    when.add_argument(
        "--when", metavar="TIME", help="date and time, such as 2026-05-09T10:30 (without a zone: this machine's)"
    )
    when.add_argument("--after-recording", metavar="NAME", help="the recording after which it was done (default: last)")
    parser.add_argument("--suspect", choices=CAUSES, help="the cause it was meant to cure")
    parser.add_argument("--take-back", type=int, metavar="NUMBER", help="take back the repair of that number")
    parser.add_argument("--json", action="store_true", help="print the verdicts as JSON")
    add_data_dir(parser)


def run(args: argparse.Namespace) -> int:
    from logger import season

    if args.what is None and (args.when or args.after_recording or args.suspect):
        raise SettingsError("say what was done: stumblelog repair EVENT WHAT")
    with open_store(args) as store:
        event_id = None if args.event is None else store.find(args.event)
        if args.take_back is not None:
            _take_back(store, args.take_back)
        if event_id is not None and args.what is not None:
            _enter(store, event_id, args)
        _analyse_what_is_stale(store)
        seasons = season.every_car(store) if event_id is None else [season.of_car(store, event_id)]
        reader = reader_of(args, store)
    if args.json:
        print(json.dumps([one.as_json() for one in seasons], allow_nan=False))
    else:
        print("\n\n".join("\n".join(_told(one, reader)) for one in seasons) or "No event is recorded yet.")
    return 0


def _take_back(store: "Store", number: int) -> None:
    known = [repair.id for event in store.events() for repair in store.repairs(event.event_id)]
    if number not in known:
        there = f"the repairs are {', '.join(map(str, known))}" if known else "no repair is written down"
        raise SettingsError(f"--take-back {number}: there is no repair of that number; {there}")
    store.remove("repairs", number)


def _enter(store: "Store", event_id: str, args: argparse.Namespace) -> None:
    offset_ns = None if args.when is None else _offset_ns(store, event_id, args.when)
    store.add_repair(
        event_id, args.what, offset_ns=offset_ns, after_recording=args.after_recording, suspect=args.suspect
    )


def _analyse_what_is_stale(store: "Store") -> None:
    for entry in store.events():
        try:
            fresh_findings(store, entry.event_id)
        except AnalysisError as error:
            print(f"{entry.name} does not count: {error}", file=sys.stderr)


def _told(season: "Season", reader: "Reader") -> Iterator[str]:
    """One car's repairs in the order in which they were done."""
    dates = [f"{event.outline.started_utc:%Y-%m-%d}" for event in season.events if event.outline.started_utc]
    names = [event.outline.name for event in season.events]
    span = f", {dates[0]}" if len(set(dates)) == 1 else f", {dates[0]} to {dates[-1]}" if dates else ""
    yield (names[0] if len(names) == 1 else f"{len(names)} events, {names[0]} to {names[-1]}") + span
    if not season.repairs:
        yield "No repair is written down."
    for repaired in season.repairs:
        yield from _repair(repaired, reader)
    is_fixed = bool(season.repairs) and season.repairs[-1].verdict.verdict == "fixed"
    if not is_fixed and season.proof_ahead not in (None, *(one.verdict.needed for one in season.repairs)):
        yield from reader.wrapped(f"A repair made now would be proved by: {season.proof_ahead}")
    for name in season.waiting:
        yield f"Not analysed, and so not counted: {name}."


def _repair(repaired: "Repaired", reader: "Reader") -> Iterator[str]:
    verdict = repaired.verdict
    yield f"[{repaired.entry.id}] {verdict.what}: {verdict.verdict.replace('_', ' ')}"
    place = f"after {repaired.entry.after_recording}" if repaired.entry.after_recording else "without a known place"
    if repaired.done_utc is not None:
        place = f"{repaired.done_utc.astimezone():%Y-%m-%d %H:%M %Z}"
    still = "Still needed: " if verdict.verdict == "too_early" else ""
    for line in filter(None, [f"{place}, {repaired.event_name}", verdict.sentence, still + verdict.needed]):
        yield from reader.wrapped(line, "    ", "    ")


def _offset_ns(store: "Store", event_id: str, when: str) -> int:
    try:
        moment = datetime.fromisoformat(when).astimezone()
    except ValueError as error:
        raise SettingsError(f"--when is {when!r}; write date and time as 2026-05-09T10:30") from error
    started_utc = store.outline(event_id).started_utc
    if started_utc is None:
        raise SettingsError(f"--when cannot be placed: no clock was known at {event_id}; use --after-recording instead")
    if abs(moment - started_utc) > FAR:
        raise SettingsError(f"--when is {when!r}, more than two years from {event_id}; look at the year again")
    return (moment - started_utc) // timedelta(microseconds=1) * 1000
