"""`stumblelog report`: what was found in a stored event, as text."""

import argparse

from logger.commands.common import add_data_dir, add_event, fresh_findings, open_store

HELP = "Print what was found in an event: the stumbles with small traces, repairs, what to test next."
EXAMPLE = "stumblelog report latest"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_event(parser)
    add_data_dir(parser)


def run(args: argparse.Namespace) -> int:
    from logger.report import text_report

    with open_store(args) as store:
        event_id = store.find(args.event)
        findings = fresh_findings(store, event_id)
        print(text_report(store.event(event_id), findings), end="")
    return 0
