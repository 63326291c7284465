"""`stumblelog demo`: a virtual car's day through the real drivers, recorder, analysis and page."""

import argparse
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from logger.commands import terminal
from logger.commands.common import reader_of
from logger.commands.serve import DEFAULT_PORT, end_on_sigterm, listen_on, serve, worker_beside
from logger.errors import StoreError

if TYPE_CHECKING:
    from logger.store.store import Store
    from logger.virtualcar.drive import DemoEvent

HELP = "Record an invented car's day on emulated chips, print what was found, and show it on a web page."
EXAMPLE = "stumblelog demo --no-serve"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--no-serve", action="store_true", help="print the findings and stop, without the page")
    parser.add_argument("--data-dir", type=Path, metavar="DIR", help="keep the demo there (default: gone at the end)")
    parser.add_argument("--port", type=int, default=DEFAULT_PORT, help=f"port of the page (default: {DEFAULT_PORT})")


def run(args: argparse.Namespace) -> int:
    from logger.report import text_report
    from logger.store.store import Store
    from logger.virtualcar.demo import record_demo
    from logger.work import analyse_event

    end_on_sigterm()
    with ExitStack() as stack:
        # First of all, so that a port in use is said before the wait; a browser that comes early waits, too.
        listening = None if args.no_serve else stack.enter_context(listen_on("127.0.0.1", args.port))
        data_dir = stack.enter_context(_folder(args.data_dir))
        store = stack.enter_context(Store(data_dir))
        if store.events():
            raise StoreError(f"{data_dir}: holds events already; choose another folder, or serve that one")
        with terminal.progress("recording the demo day") as progress:
            demo = record_demo(data_dir, progress)
        event_id = store.events()[0].event_id
        _enter_repairs(store, event_id, demo)
        with terminal.progress("analysing") as progress:
            findings = analyse_event(store, event_id, progress).as_json()
        print(text_report(store.event(event_id), findings, reader_of(args)), flush=True)
        if listening is not None:
            stack.enter_context(worker_beside(data_dir))  # what is entered on the page is judged there, too
            serve(store, data_dir / "run", listening)
    return 0


@contextmanager
def _folder(wanted: Path | None) -> Iterator[Path]:
    if wanted is not None:
        yield wanted
        return
    with TemporaryDirectory(prefix="stumblelog-demo-") as name:
        yield Path(name)


def _enter_repairs(store: "Store", event_id: str, demo: "DemoEvent") -> None:
    """The drives' names are the virtual car's; the store has named their recordings in the same order."""
    names = {
        drive.name: recording.name for drive, recording in zip(demo.drives, store.recordings(event_id), strict=True)
    }
    for repair in demo.repairs:
        after = None if repair.after_recording is None else names[repair.after_recording]
        store.add_repair(
            event_id, repair.what, offset_ns=repair.offset_ns, after_recording=after, suspect=repair.suspect
        )
