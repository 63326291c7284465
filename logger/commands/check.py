"""`stumblelog check`: is everything alive before the run?"""

import argparse
import json
from dataclasses import asdict
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING

from logger.commands import terminal
from logger.commands.common import add_data_dir, add_settings, open_store, settings_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from logger.check import CheckLine

HELP = "Look before a run whether every sensor is alive and reads what this car reads; a few seconds."
EXAMPLE = "stumblelog check --json"

EXIT_STOP = 1


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print the lines as one JSON list")
    parser.add_argument("--run-dir", type=Path, metavar="DIR", help="where the recorder keeps its live values")
    add_data_dir(parser)
    add_settings(parser)


def run(args: argparse.Namespace) -> int:
    from logger.check import SAFETY, worst
    from logger.check.watch import check_now
    from logger.clock import SystemClock

    settings = settings_of(args)
    with open_store(args) as store:
        found = check_now(settings, store, SystemClock(), run_dir=args.run_dir)
    if args.json:
        print(json.dumps([asdict(line) for line in found], allow_nan=False))
    else:
        print(SAFETY)
        print_lines(found)
        print({"ok": "Ready.", "look": "Look at the lines marked so.", "stop": "Stop: not ready."}[worst(found)])
        if not any(line.label == "Pulses" for line in found):
            print("Checked with the engine standing; start it, let it idle and check again.")
    return EXIT_STOP if worst(found) == "stop" else 0


def print_lines(found: "Iterable[CheckLine]") -> None:
    """One row for each line, and under it what to do; where a row is wider than the terminal, what was expected stands
    under what was read, and is left out where all is well."""
    rows = list(found)
    width, label = terminal.width(), max(len(row.label) for row in rows)
    value = max(len(row.value) for row in rows)
    blank = " " * (6 + label + 2)
    fits = len(blank) + value + 12 + max(len(row.expected) for row in rows) <= width
    for row in rows:
        verdict = "-" if row.verdict == "not_judged" else row.verdict
        expected = f"expected: {row.expected}"
        said = [f"{row.value:<{value}}  {expected}"] if fits else [row.value, expected * (row.verdict != "ok")]
        first = f"{verdict:<5} {row.label:<{label}}  "
        for text in filter(None, [*said, row.todo]):
            print("\n".join(wrap(text, max(width, len(blank) + 20), initial_indent=first, subsequent_indent=blank)))
            first = blank
