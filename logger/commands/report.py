"""`stumblelog report`: what was found in a stored event, as text."""

import argparse

from logger.commands import terminal
from logger.commands.common import add_data_dir, add_event, open_store

HELP = "Print what was found in an event: the stumbles with small traces, repairs, what to test next."
EXAMPLE = "stumblelog report latest"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_event(parser)
    add_data_dir(parser)


def run(args: argparse.Namespace) -> int:
    from logger.report import text_report
    from logger.work import analyse_event

    with open_store(args) as store:
        event_id = store.find(args.event)
        stored = store.stored_findings(event_id)
        if stored is None or not stored.fresh:
            with terminal.progress("analysing") as progress:
                findings = analyse_event(store, event_id, progress).as_json()
        else:
            findings = stored.findings
        print(text_report(store.event(event_id), findings), end="")
    return 0
