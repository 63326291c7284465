"""Hostile requests over a real socket at a page that asks for a pass-phrase: how many are let in, how many break it.

    python -m tests.bench.hostile_requests [--requests 10000] [--seed 1]

Each request is made from the seed. Let in is: an answer below 400 that is no way to the log-in, to a request that may
not have one; anything recorded, or any file's content, in an answer to it; or anything written by it.
"""

import argparse
import json
import logging
import socket
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from logger.store.capture_out import write_folder
from logger.store.store import Store
from tests.bench.hostile import Attacker, Target
from tests.web.example import event, fill
from web.access_keys import Keys
from web.app import create_app
from web.pass_phrase import make_pass_phrase
from web.server import Server

TIMEOUT_S = 20.0
SECRETS = (b"Larkfold", b"larkfold", b"renewed the coil", b"root:x:", b"SQLite format 3", b"[build-system]", b'"salt"')
"""What only somebody may read who was let in: the event's name, its entries, files of this machine and of the store."""


@dataclass(slots=True)
class Tally:
    """What became of the requests of one kind. silent: hung up without an answer."""

    sent: int = 0
    let_in: int = 0
    broke: int = 0
    silent: int = 0
    examples: list[tuple[bytes, bytes]] = field(default_factory=list)


@contextmanager
def locked_page(folder: Path, *, asks: bool = True) -> Iterator[Target]:
    """Serve an event behind a pass-phrase, and a second one that the link does not show. `asks` False: unlocked."""
    with Store(folder / "data") as store:
        event_id = fill(store, folder / "captured")
        write_folder(replace(event(), name="Larkfold Hill, autumn meeting"), folder / "second")
        other_id = store.import_folder(folder / "second")
        pass_phrase, _ = make_pass_phrase(store.data_dir, time.time())
        keys = Keys(store.data_dir)
        session = keys.log_in(pass_phrase) or ""
        _, link = keys.share(event_id, "", 1)
        with socket.create_server(("127.0.0.1", 0)) as listening:
            server = Server(create_app(store, folder / "run", keys=keys if asks else None))
            thread = threading.Thread(target=server.run, args=([listening],))
            thread.start()
            try:
                yield Target(listening.getsockname()[1], store, event_id, session, link, other_id)
            finally:
                server.should_exit = True
                thread.join()


def send(port: int, data: bytes) -> bytes:
    """The answer to a request; empty where the server hung up without one."""
    answer = b""
    with socket.create_connection(("127.0.0.1", port), timeout=TIMEOUT_S) as connection:
        try:
            connection.sendall(data)
            while chunk := connection.recv(1 << 16):
                answer += chunk
        except (BrokenPipeError, ConnectionResetError):
            return answer  # it had seen enough of the request
    return answer


def attack(target: Target, n: int, seed: int) -> dict[str, Tally]:
    """Send n requests; what became of them, by kind."""
    tallies: dict[str, Tally] = {}
    for hostile in Attacker(target, seed).requests(n):
        answer = send(target.port, hostile.data)
        tally = tallies.setdefault(hostile.kind, Tally())
        tally.sent += 1
        status = int(answer.split(b" ", 2)[1]) if answer.startswith(b"HTTP/") else 0
        head, _, body = answer.partition(b"\r\n\r\n")
        to_log_in = status == 303 and b"location: /log-in" in head.lower()
        leaked = any(secret in body for secret in SECRETS)
        let_in = not hostile.is_owners and (leaked or (0 < status < 400 and not to_log_in))
        tally.let_in += let_in
        tally.broke += status >= 500
        tally.silent += not status
        if let_in or status >= 500:
            tally.examples.append((hostile.data[:400], answer[:400]))
    return tallies


def written(target: Target) -> str:
    """All that people entered, and what is shared, as text: the same before and after."""
    store = target.store
    tables = ("events", "notes", "repairs", "run_corrections", "circumstances", "calibrations")
    rows = {table: store.logbook.rows(f"SELECT * FROM {table}") for table in tables}
    return json.dumps(rows, default=str, sort_keys=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--requests", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    logging.disable()  # the server says of each broken request that it was one
    with tempfile.TemporaryDirectory() as folder, locked_page(Path(folder)) as target:
        before, started_s = written(target), time.monotonic()
        tallies = attack(target, options.requests, options.seed)
        took_s, changed = time.monotonic() - started_s, written(target) != before
    print(f"{'kind':16} {'sent':>6} {'let in':>6} {'5xx':>6} {'no answer':>9}")
    for kind, tally in tallies.items():
        print(f"{kind:16} {tally.sent:6} {tally.let_in:6} {tally.broke:6} {tally.silent:9}")
    total = [sum(getattr(tally, name) for tally in tallies.values()) for name in ("sent", "let_in", "broke", "silent")]
    print(f"{'all':16} {total[0]:6} {total[1]:6} {total[2]:6} {total[3]:9}   in {took_s:.0f} s")
    print(f"anything written: {'yes' if changed else 'no'}")
    for tally in tallies.values():
        for asked, answered in tally.examples[:3]:
            print(f"\n{asked!r}\n  -> {answered!r}")


if __name__ == "__main__":
    main()
