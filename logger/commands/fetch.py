"""`stumblelog fetch`: copy finished recordings from a logger's page to this machine."""

import argparse
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from getpass import getpass
from typing import TYPE_CHECKING

from logger.commands import terminal
from logger.commands.common import add_data_dir, open_store

if TYPE_CHECKING:
    from logger.store.exports.remote import RemoteEvent

PASS_PHRASE_VARIABLE = "STUMBLELOG_PASS_PHRASE"
HELP = "Copy finished recordings, notes and repairs from a logger's page to this machine; goes on where it stopped."
EXAMPLE = "stumblelog fetch 10.42.0.1"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "host",
        metavar="HOST",
        help="the logger's address or name, with a port if not 8765, or a URL; "
        f"a pass-phrase is asked for, or taken from ${PASS_PHRASE_VARIABLE}",
    )
    parser.add_argument("event", nargs="?", metavar="EVENT", help="id of one event there (default: all)")
    add_data_dir(parser)


def run(args: argparse.Namespace) -> int:
    from logger.errors import StoreError
    from logger.store.exports.remote import base_url, fetch

    with _listing(base_url(args.host)) as events, open_store(args) as store:
        if args.event is not None:
            there = ", ".join(event.event_id for event in events) or "none"
            events = [event for event in events if event.event_id == args.event]
            if not events:
                raise StoreError(f"{args.host} has no event {args.event!r}; it has {there}")
        for event in events:
            with terminal.progress(f"fetching {event.event_id}") as progress:
                event_id, n_new = fetch(store, event, progress)
            print(f"{event_id or event.event_id}: {n_new} new, {len(event.recordings) - n_new} here already")
            if event.n_unfinished:
                print(f"{event.event_id}: {event.n_unfinished} not finished yet; fetch again later", file=sys.stderr)
        if not events:
            print("nothing to fetch: no event yet")
    return 0


@contextmanager
def _listing(base: str) -> "Iterator[list[RemoteEvent]]":
    """What the logger has, and where it asks for its pass-phrase a session until the block ends."""
    from logger.errors import StoreError
    from logger.store.exports.remote import LogInError, listing, log_in, log_out

    try:
        events = listing(base)
    except LogInError:
        log_in(base, _pass_phrase(base))
    else:
        yield events
        return
    try:
        yield listing(base)
    finally:
        with suppress(StoreError):  # the connection may be what ended the block
            log_out(base)


def _pass_phrase(base: str) -> str:
    """From the environment, or asked for on the terminal; never from the command line, which others can read."""
    from logger.store.exports.remote import LogInError

    given = os.environ.get(PASS_PHRASE_VARIABLE)
    if given is not None:
        return given
    if not sys.stdin.isatty():
        raise LogInError(f"{base} asks for its pass-phrase; run this in a terminal, or set ${PASS_PHRASE_VARIABLE}")
    return getpass("Pass-phrase of the logger's page: ")
