"""`stumblelog serve`: the page, with the worker beside it."""

import argparse
import errno
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from ipaddress import ip_address
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from logger.commands.common import add_data_dir, add_settings, data_dir_of, open_store, settings_of
from logger.errors import SettingsError, StoreError

if TYPE_CHECKING:
    from logger.settings import Settings
    from logger.store.store import Store
    from web.access_keys import Keys

HELP = "Show events on a web page and analyse them as their recordings end."
EXAMPLE = "stumblelog serve --host 10.42.0.1"

DEFAULT_PORT = 8765
RESTART_AFTER_S = 5.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "path",
        type=Path,
        nargs="?",
        metavar="BUNDLE",
        help="show this bundle (or other export, or capture folder) alone, and keep nothing (default: all events here)",
    )
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on (default: this machine only)")
    parser.add_argument("--port", type=int, default=DEFAULT_PORT, help=f"port to listen on (default: {DEFAULT_PORT})")
    parser.add_argument("--run-dir", type=Path, metavar="DIR", help="where the recorder keeps its live values")
    parser.add_argument(
        "--open",
        action="store_true",
        help="ask nobody for the pass-phrase: whoever reaches the address reads and writes",
    )
    parser.add_argument(
        "--new-pass-phrase",
        action="store_true",
        help="make a pass-phrase, show it once with the address as a QR code, and end (log-ins and links end, too)",
    )
    add_data_dir(parser)
    add_settings(parser)


def run(args: argparse.Namespace) -> int:
    if args.new_pass_phrase:
        return _new_pass_phrase(data_dir_of(args), args.host, args.port)
    settings = settings_of(args)
    run_dir = args.run_dir or Path(settings.recorder.run_dir)
    end_on_sigterm()
    with _store(args) as store, listen_on(args.host, args.port) as listening:
        keys = _keys(args, store.data_dir, listening)
        if args.open and not _is_loopback(listening.getsockname()[0]):
            print(_who_may(args.path), file=sys.stderr)
        with worker_beside(store.data_dir):
            serve(store, run_dir, listening, settings, keys)
    return 0


def _new_pass_phrase(data_dir: Path, host: str, port: int) -> int:
    """Print a new pass-phrase and a code that opens the page on a phone and logs it in."""
    import segno

    from web.pass_phrase import make_pass_phrase

    pass_phrase, once = make_pass_phrase(data_dir, time.time())
    name = f"{socket.gethostname()}.local" if host in ("0.0.0.0", "::") else host
    address = f"http://{f'[{name}]' if ':' in name else name}:{port}/"
    once_address = f"{address}log-in?once={once}"
    print(f"Page:        {address}")
    print(f"Pass-phrase: {pass_phrase}   (shown this once: only its hash is kept)")
    print(f"Without it:  {once_address}   (logs in one device, once, within a day)")
    if not _is_loopback(host):  # which no phone could reach
        segno.make(once_address, error="l", micro=False).terminal(compact=True, border=2)
    print("Earlier log-ins and shared links have ended. A page that runs without a pass-phrase asks once restarted.")
    sys.stdout.flush()
    return 0


def _is_loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _keys(args: argparse.Namespace, data_dir: Path, listening: socket.socket) -> "Keys | None":
    """What opens the page; None where nobody is asked. Raises SettingsError where others could reach it unasked."""
    from web.access_keys import Keys

    if args.open:
        return None
    if Keys.are_set(data_dir):
        return Keys(data_dir)
    address = listening.getsockname()[0]
    if _is_loopback(address):
        return None
    if args.path is not None:
        raise SettingsError(
            f"on {address} everybody who reaches this machine could open {args.path}, without a pass-phrase, and enter "
            "notes that are gone at the end; say --open if they may, or leave --host out to be the only one who sees it"
        )
    raise SettingsError(
        f"listening on {address} lets others in, and no pass-phrase is set: make one with "
        "stumblelog serve --new-pass-phrase, or say --open to ask nobody"
    )


def _who_may(bundle: Path | None) -> str:
    """What --open opens, for whoever has just said it."""
    if bundle is not None:
        return f"Everybody who reaches this address sees {bundle}; what they enter is gone at the end. Ctrl-C ends it."
    return (
        "Everybody who reaches this address reads all events, enters notes and repairs and changes calibrations, "
        "without a pass-phrase. Ctrl-C ends it."
    )


@contextmanager
def _store(args: argparse.Namespace) -> "Iterator[Store]":
    """The store of this machine; or that of a bundle, which lasts as long as it is shown."""
    if args.path is None:
        with open_store(args) as store:
            yield store
        return
    from logger.commands import terminal
    from logger.store.exports.incoming import take_in
    from logger.store.store import Store

    with TemporaryDirectory(prefix="stumblelog-") as name, Store(Path(name)) as store:
        with terminal.progress("opening") as progress:
            take_in(store, args.path, progress)
        yield store


def serve(
    store: "Store",
    run_dir: Path,
    listening: socket.socket,
    settings: "Settings | None" = None,
    keys: "Keys | None" = None,
) -> None:
    """Run the web server on that socket until it is stopped.

    settings: of this machine, None for the default ones. keys: what opens the page, None where nobody is asked.
    """
    from web.app import create_app
    from web.server import Server

    host, port = listening.getsockname()
    server = Server(create_app(store, run_dir, settings=settings, hosts=[host], keys=keys))
    print(f"http://{host}:{port}/", flush=True)
    server.run([listening])


def end_on_sigterm() -> None:
    """Let `with` blocks end as they should; by default the signal ends us before the worker is told.

    uvicorn hands the signal on once it has shut down.
    """
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))


def listen_on(host: str, port: int) -> socket.socket:
    """A socket that listens there. Raises StoreError where that address cannot be had, before anything is shown."""
    if not 0 <= port <= 65535:
        raise StoreError(f"cannot listen on {host} port {port}: ports go from 1 to 65535; choose another with --port")
    try:
        return socket.create_server((host, port))
    except OSError as error:
        reason = os.strerror(error.errno) if error.errno is not None and error.errno > 0 else error.strerror or error
        todo = "choose another with --port"
        if error.errno == errno.EADDRNOTAVAIL:
            todo = "give an address of this machine with --host, or 0.0.0.0 for all of them"
        raise StoreError(f"cannot listen on {host} port {port}: {reason}; {todo}") from error


@contextmanager
def worker_beside(data_dir: Path) -> Iterator[None]:
    """Keep a worker process going until the block ends; one that dies is started again after a while."""
    stopping = threading.Event()
    command = [sys.executable, "-m", "logger.cli", "work", "--with-input", "--data-dir", str(data_dir)]
    process = subprocess.Popen(command, stdin=subprocess.PIPE)

    def keep_going() -> None:
        nonlocal process
        while process.wait() is not None and not stopping.wait(RESTART_AFTER_S):
            process.communicate()  # closes its pipe
            process = subprocess.Popen(command, stdin=subprocess.PIPE)

    keeper = threading.Thread(target=keep_going, daemon=True)
    keeper.start()
    try:
        yield
    finally:
        stopping.set()
        process.terminate()
        keeper.join()
        process.communicate()
