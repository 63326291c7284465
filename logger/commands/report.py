"""`stumblelog report`: the story of a stored event as text, JSON or a file to print; and the test cards."""

import argparse
import json
from pathlib import Path

from logger.commands.common import add_data_dir, fresh_findings, open_store, reader_of
from logger.errors import SettingsError, StoreError
from logger.event import CAUSES

HELP = "Tell what was found in an event, what to test next and whether it is fixed; or print the test card of a cause."
EXAMPLE = "stumblelog report latest --as html --to hollow-quarry.html"

OF_THE_EVENT = "main"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "event", nargs="?", metavar="EVENT", help='the event\'s id or the beginning of it, its name, or "latest"'
    )
    parser.add_argument(
        "--as",
        dest="form",
        choices=("text", "json", "html"),
        default="text",
        help="text with small traces, json, or html: one file with pictures that prints anywhere (default: text)",
    )
    parser.add_argument(
        "--card",
        nargs="?",
        const=OF_THE_EVENT,
        metavar="CAUSE",
        help=f"instead: the test card of the event's main cause, or of {', '.join(CAUSES)}; html prints on one A5 side",
    )
    parser.add_argument("--to", type=Path, metavar="FILE", help="file to write (default: standard output)")
    add_data_dir(parser)


def run(args: argparse.Namespace) -> int:
    text = _report(args) if args.card is None else _card(args)
    if args.to is None:
        print(text, end="")
    else:
        try:
            args.to.write_text(text, encoding="utf-8")
        except OSError as error:
            raise StoreError(f"{args.to}: cannot be written: {error.strerror}; name another file with --to") from error
        print(args.to)
    return 0


def _report(args: argparse.Namespace) -> str:
    if args.event is None:
        raise SettingsError('say which event: its id, its name, or "latest"')
    from logger.report import json_report, stored_report

    with open_store(args) as store:
        event_id = store.find(args.event)
        findings = fresh_findings(store, event_id)
        if args.form == "html":
            from web.exports import report_html

            return report_html(store, event_id, reader_of(args, store))
        if args.form == "json":
            return json.dumps(json_report(store.outline(event_id), findings), indent=1, allow_nan=False) + "\n"
        return stored_report(store, event_id, findings, reader_of(args, store, for_file=args.to is not None))


def _card(args: argparse.Namespace) -> str:
    cause = args.card
    if cause == OF_THE_EVENT:
        if args.event is None:
            raise SettingsError(f"say for which event, or for which cause: {', '.join(CAUSES)}")
        with open_store(args) as store:
            cause = fresh_findings(store, store.find(args.event))["main_cause"] or "undetermined"
    if cause not in CAUSES:
        raise SettingsError(f"--card is {cause!r}; allowed are {', '.join(CAUSES)}")
    if args.form == "json":
        raise SettingsError("a test card is text or html; the tests as JSON are next_tests of `report EVENT --as json`")
    if args.form == "html":
        from web.cards import card_html

        return card_html(cause, reader_of(args).units)
    from logger.analysis.failure.next_tests import test_card

    return reader_of(args).units.said(test_card(cause).as_text())
