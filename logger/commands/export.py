"""`stumblelog export`: write an event to files for somebody else, or for other programs."""

import argparse
import sys
from contextlib import redirect_stdout
from pathlib import Path
from typing import TYPE_CHECKING

from logger.commands import terminal
from logger.commands.common import add_data_dir, add_event, fresh_findings, open_store, reader_of, settings_of
from logger.errors import AnalysisError
from logger.store.exports.forms import FORMS

if TYPE_CHECKING:
    from logger.store.store import Store

HELP = "Write an event as a bundle to hand on, as CSV, SQLite, Parquet or MDF files that any program can read."
EXAMPLE = "stumblelog export latest --as bundle --to hollow-quarry.zip"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_event(parser)
    parser.add_argument(
        "--as",
        dest="form",
        choices=list(FORMS),
        default="csv",
        help="; ".join(f"{name}: {form.meaning}" for name, form in FORMS.items()) + " (default: csv)",
    )
    parser.add_argument("--to", type=Path, metavar="PATH", help="file or folder to write (default: the event's id)")
    parser.add_argument("--overwrite", action="store_true", help="replace an export of that name")
    parser.add_argument("--car", default="car", metavar="NAME", help="parquet: tells the cars of a season apart")
    add_data_dir(parser)


def run(args: argparse.Namespace) -> int:
    from logger.store.exports.write import write

    with open_store(args) as store:
        event_id = store.find(args.event)
        reports = {}
        if args.form != "csv":
            try:
                fresh_findings(store, event_id)
            except AnalysisError as error:
                print(f"exported without findings: {error}", file=sys.stderr)
            else:
                if args.form == "bundle":
                    from web.exports import reports_of

                    reports = reports_of(store, event_id, reader_of(args, store, for_file=True))
        to = args.to or Path(event_id + FORMS[args.form].ending)
        # What is printed is the name of the export alone: the library for MDF prints its speed when it is slow.
        with terminal.progress("exporting") as progress, redirect_stdout(sys.stderr):
            written = write(
                store,
                event_id,
                args.form,
                to,
                overwrite=args.overwrite,
                car=args.car,
                reports=reports,
                progress=progress,
                keep_free_mb=settings_of(args).recorder.warn_mb if _is_recording(store) else 0.0,
            )
    print(written)
    return 0


def _is_recording(store: "Store") -> bool:
    """Whether a recording grows beside the store just now; it must not run out of room."""
    return any(entry.recording_now for entry in store.events())
