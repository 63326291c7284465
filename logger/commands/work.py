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
    parser.add_argument("--parent", type=int, metavar="PID", help="stop when that process, which started this, ends")
    add_data_dir(parser)


class _Stop(threading.Event):
    """Set by a signal, or by the end of the page that started this worker, however it ended."""

    def __init__(self, parent: int | None) -> None:
        super().__init__()
        self._parent = parent

    def is_set(self) -> bool:
        orphaned = self._parent is not None and os.getppid() != self._parent
        return orphaned or super().is_set()


def run(args: argparse.Namespace) -> int:
    from logger.work import STANDING_STILL_S, Worker

    if hasattr(os, "nice"):  # not on Windows, where nothing records
        os.nice(NICENESS)  # recording comes first
    stop = _Stop(args.parent)
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


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)
