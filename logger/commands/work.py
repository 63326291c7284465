"""`stumblelog work`: the worker beside the page."""

import argparse
import os
import signal
import sys
import threading

from logger.commands.common import add_data_dir, open_store

HELP = "Mend, analyse and compact recordings as they end, at low priority; the page starts this by itself."
EXAMPLE = "stumblelog work --once"

NICENESS = 10


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--once", action="store_true", help="do what is due now, then stop")
    parser.add_argument(
        "--with-input", action="store_true", help="stop when standard input ends: when what started this is gone"
    )
    add_data_dir(parser)


def run(args: argparse.Namespace) -> int:
    from logger.work import STANDING_STILL_S, Worker

    if hasattr(os, "nice"):  # not on Windows, where nothing records
        os.nice(NICENESS)  # recording comes first
    stop = threading.Event()
    if args.with_input:
        threading.Thread(target=_end_with_input, args=(stop,), daemon=True).start()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    with open_store(args) as store:
        worker = Worker(store, say=_say, standing_still_s=0.0 if args.once else STANDING_STILL_S)
        if args.once:
            while worker.round() and not stop.is_set():
                pass
        else:
            worker.run(stop)
    return 0


def _end_with_input(stop: threading.Event) -> None:
    """However the other side ends, the pipe from it does; a parent's process number says nothing on Windows."""
    while os.read(sys.stdin.fileno(), 1024):  # not sys.stdin.read(): its lock, held here, would block our own end
        pass
    stop.set()


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)
