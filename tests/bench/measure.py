"""Measuring in a way that can be repeated: CPU time, bytes written, and a table of ours beside the plain way and the
limit, which is printed and written as JSON."""

import json
import platform
import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

REPEATS = 5


@dataclass(frozen=True, slots=True)
class Row:
    """One figure. `target`: the most that ours may be, as a factor of `against` ("plain" or "limit")."""

    what: str
    unit: str
    ours: float
    plain: float | None = None
    limit: float | None = None
    target: float | None = None
    against: str = "limit"

    @property
    def ratio(self) -> float | None:
        """Ours over what the target is against."""
        other = self.limit if self.against == "limit" else self.plain
        return None if not other else self.ours / other

    @property
    def verdict(self) -> str:
        if self.target is None or self.ratio is None:
            return ""
        return "reached" if self.ratio <= self.target else "missed"


def cpu_s(work: Callable[[], object], repeats: int = REPEATS) -> float:
    """Median CPU seconds of this process, all threads, user and system."""
    return statistics.median(_one(work, time.process_time) for _ in range(repeats))


def wall_s(work: Callable[[], object], repeats: int = REPEATS) -> float:
    """Median seconds by the clock on the wall."""
    return statistics.median(_one(work, time.perf_counter) for _ in range(repeats))


def _one(work: Callable[[], object], clock: Callable[[], float]) -> float:
    begun = clock()
    work()
    return clock() - begun


def written_bytes() -> int:
    """Bytes this process has caused to be written to storage, as the kernel counts them (page by page)."""
    for line in Path("/proc/self/io").read_text().splitlines():
        if line.startswith("write_bytes:"):
            return int(line.split()[1])
    raise OSError("/proc/self/io counts no written bytes; run this on Linux")


def show(title: str, rows: list[Row], json_path: Path | None) -> int:
    """Print the table, write it as JSON; the exit code: 1 where a target is missed."""
    print(f"{title}; {platform.machine()}, Python {platform.python_version()}, medians of {REPEATS}")
    print(f"{'':52} {'ours':>10} {'plain':>10} {'limit':>10} {'ratio':>8} {'target':>8}")
    for row in rows:
        target = "" if row.target is None else f"{row.target:.3g}"
        ratio = "" if row.ratio is None else f"{row.ratio:.3g}"
        what = f"{row.what}, {row.unit}"
        print(
            f"{what:52} {_figure(row.ours):>10} {_figure(row.plain):>10} {_figure(row.limit):>10} "
            f"{ratio:>8} {target:>8} {row.verdict}"
        )
    if json_path is not None:
        document = {
            "title": title,
            "rows": [{**asdict(row), "ratio": row.ratio, "verdict": row.verdict} for row in rows],
        }
        json_path.write_text(json.dumps(document, indent=1), encoding="utf-8")
    return 1 if any(row.verdict == "missed" for row in rows) else 0


def json_path_of(arguments: list[str]) -> Path | None:
    """`--json FILE` on the command line."""
    if "--json" not in arguments:
        return None
    place = arguments.index("--json") + 1
    if place >= len(arguments):
        sys.exit("--json needs a file name")
    return Path(arguments[place])


def _figure(value: float | None) -> str:
    return "" if value is None else f"{value:.4g}"
