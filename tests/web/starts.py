"""A car that idles at this moment, for the start check: recorded through the real drivers, then made to be now."""

import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from logger.recorder.place import boot_id
from tests.check.bench import part_of, record, torn
from tests.check.starts import IDLE_FROM_S, a_start

TALK_S = 0.2
_SPEAKING = threading.RLock()


def idling(data_dir: Path, run_dir: Path, *, without: str | None = None) -> None:
    """Record a start up to its idle, `without` one channel's wire, and leave the recorder's last word in run_dir."""
    start = a_start(5, "six_injected", coolant_degc=40.0)
    drive = part_of(start, 0.0, float(round(start.crank_s + IDLE_FROM_S + 4.0)))
    record(replace(start, drive=drive if without is None else torn(drive, without)), data_dir)
    word = json.loads((data_dir / "run" / "live.json").read_text(encoding="utf-8"))
    file = next((data_dir / "recordings").glob("*.sqlite"))
    word |= {"state": "recording", "why": "", "recording": {"file": f"recordings/{file.name}", "seconds": 12.0}}
    word["sensors"] = [part | {"state": "ok", "message": ""} for part in word["sensors"]]
    say(run_dir, word | {"free_mb": 9000.0, "warnings": []})


def say(run_dir: Path, word: dict[str, Any]) -> None:
    """Write the recorder's word as if it had been said just now, by a recorder of this boot."""
    with _SPEAKING:
        run_dir.mkdir(parents=True, exist_ok=True)
        draft = run_dir / ".live.json.new"
        said = word | {"written_ns": time.monotonic_ns(), "boot_id": boot_id()}
        draft.write_text(json.dumps(said), encoding="utf-8")
        draft.replace(run_dir / "live.json")


def say_again(run_dir: Path) -> None:
    """The same word once more: it is live only while it is repeated."""
    with _SPEAKING:
        say(run_dir, json.loads((run_dir / "live.json").read_text(encoding="utf-8")))


@contextmanager
def talking(run_dir: Path) -> Iterator[None]:
    """A recorder that goes on saying its newest word, so that a slow machine does not take it for silent."""
    silent = threading.Event()

    def talk() -> None:
        while not silent.wait(TALK_S):
            if (run_dir / "live.json").exists():
                say_again(run_dir)

    thread = threading.Thread(target=talk)
    thread.start()
    try:
        yield
    finally:
        silent.set()
        thread.join()
