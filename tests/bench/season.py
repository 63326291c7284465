"""How long a season's repair verdicts take from the logbook: 40 recordings in ten events, four repairs. By hand:

python -m tests.bench.season [--json FILE]
"""

import sys
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from logger import season
from logger.event import Repair
from logger.store.store import Store
from tests.bench.measure import Row, json_path_of, show, wall_s
from tests.seasons import CLEAN, FAILED, FEED, Day, put_in

TARGET_S = 0.2


def fill(store: Store, folder: Path) -> None:
    """Three events that failed, then seven clean ones, four runs each."""
    repairs = {1: "new coil", 2: "new ignition module", 3: FEED, 7: "new plugs"}
    for month in range(1, 11):
        done = (Repair(repairs[month], after_recording="r04"),) if month in repairs else ()
        runs = [FAILED if month <= 3 else CLEAN] * 4
        day = Day(f"event {month}", runs, datetime(2026, month, 9, 8, 0, tzinfo=UTC), done)
        put_in(store, folder / str(month), day)


def main() -> int:
    """Print the figure beside its limit."""
    with TemporaryDirectory() as name, Store(Path(name) / "data") as store:
        fill(store, Path(name))
        (only,) = season.every_car(store)
        print([(one.entry.what, one.verdict.verdict) for one in only.repairs])
        took_s = wall_s(lambda: season.every_car(store))
    row = Row("verdicts of a season of 40 recordings", "s", took_s, limit=TARGET_S, target=1.0)
    return show("season", [row], json_path_of(sys.argv))


if __name__ == "__main__":
    raise SystemExit(main())
