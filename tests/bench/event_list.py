"""How the list of events grows with their number: `python -m tests.bench.event_list`.

A logbook of so many events of four recordings each, every one with the findings of a quarter of an hour of driving;
the list is the one a device opens: the newest hundred, and how many more there are.
plain: the list made by parsing the findings of every event. limit: an empty answer of the same application.
"""

import json
import sqlite3
import statistics
import sys
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from logger.analysis import analyse
from logger.store.store import Store
from tests.bench import day
from tests.bench.measure import REPEATS, Row, exponent, show, wall_s
from tests.bench.page_speed import answers_ms, serving

MOST_MS = 20.0
COUNTS = (1, 10, 100, 1000)
N_RECORDINGS = 4


def findings_of_a_day(folder: Path, hours: float) -> dict[str, Any]:
    """Findings of the size that a day has."""
    with TemporaryDirectory(dir=folder) as name, Store(Path(name)) as store:
        day.write_runs(Path(name), day.record_runs(), hours)
        return analyse(store.event(store.find("latest"))).as_json()


def fill(store: Store, count: int, findings: dict[str, Any]) -> None:
    """So many events; their recordings are there by name only, since a list opens none."""
    (store.data_dir / "recordings").mkdir(exist_ok=True)
    with store.logbook.transaction() as database:
        for number in range(count):
            event_id = f"event-{number:04d}"
            started = f"2026-{1 + number % 12:02d}-{1 + number // 12 % 28:02d}T08:00:00+00:00"
            database.table("events").insert({
                "id": event_id, "name": f"Event number {number}", "kind": "competition", "engine": '{"cylinders": 6}',
                "started_utc": started, "created_utc": started,
            })  # fmt: skip
            for position in range(N_RECORDINGS):
                file = f"recordings/{number:04d}-{position}.sqlite"
                (store.data_dir / file).touch()
                database.table("recordings").insert({
                    "file": file, "event_id": event_id, "name": f"r{position + 1:02d}", "position": position,
                    "uuid": file, "state": "closed", "reason": "", "duration_ns": 90 * 10**9, "stamp": "",
                    "boot_id": "", "power_up": position, "monotonic_ns": 0, "clock_is_set": 1, "started_utc": started,
                })  # fmt: skip
    for number in range(count):
        store.save_findings(f"event-{number:04d}", findings, "as entered")


def parse_all(data_dir: Path) -> object:
    """The list without a thought for how much the findings hold."""
    with closing(sqlite3.connect(data_dir / "logbook.sqlite")) as connection:
        rows = connection.execute("SELECT e.name, f.findings FROM events e JOIN findings f ON f.event_id = e.id")
        return [
            (name, len(found["stumbles"]), found["main_cause"]) for name, text in rows if (found := json.loads(text))
        ]


def measure(folder: Path, quick: bool) -> list[Row]:
    """The list's answer for each number of events, and the power with which it grows."""
    counts, n = ((1, 10), 5) if quick else (COUNTS, 40)
    findings = findings_of_a_day(folder, 0.05 if quick else 0.25)
    rows, taken = [], []
    for count in counts:
        data_dir = folder / f"{count}"
        with Store(data_dir) as store:
            fill(store, count, findings)
            with serving(store) as address:
                answers_ms(address, ["/events", "/bench/empty"])
                took, _ = answers_ms(address, ["/events"] * n)
                empty, _ = answers_ms(address, ["/bench/empty"] * n)
        taken.append(statistics.median(took))
        plain = 1000.0 * wall_s(lambda data_dir=data_dir: parse_all(data_dir), REPEATS)  # type: ignore[misc]
        figures = (taken[-1], plain, statistics.median(empty))
        rows.append(Row(f"list of {count} events, p50", "ms", *figures, MOST_MS, "figure", "events"))
    rows.append(Row("  exponent of its growth", "", exponent(counts, taken), key="events"))
    return rows


if __name__ == "__main__":
    with TemporaryDirectory(dir=".") as name:
        sys.exit(show("list of events", measure(Path(name), "--quick" in sys.argv), None))
