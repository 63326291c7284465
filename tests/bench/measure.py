"""Measuring in a way that can be repeated: CPU time, bytes written, memory of a process of its own, files out of the
page cache; and a table of ours beside the plain way and the limit, printed and written as JSON."""

import gc
import json
import os
import platform
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Literal

REPEATS = 5
HEADINGS = ("", "ours", "plain", "limit", "ratio", "target", "")


@dataclass(frozen=True, slots=True)
class Row:
    """One figure. `target`: the most that ours may be, as a factor of `against` ("plain" or "limit"), or in `unit`
    ("figure"); `at_least`: the least instead. `key`: the row of the table of targets that it belongs to."""

    what: str
    unit: str
    ours: float
    plain: float | None = None
    limit: float | None = None
    target: float | None = None
    against: Literal["plain", "limit", "figure"] = "limit"
    key: str = ""
    at_least: bool = False

    @property
    def ratio(self) -> float | None:
        """Ours over what the target is against; over the limit where the target is a figure."""
        other = self.plain if self.against == "plain" else self.limit
        return None if not other else self.ours / other

    @property
    def verdict(self) -> str:
        """ "met" or "missed"; empty where there is no target."""
        held = self.ours if self.against == "figure" else self.ratio
        if self.target is None or held is None:
            return ""
        return "met" if (held >= self.target if self.at_least else held <= self.target) else "missed"

    @property
    def target_text(self) -> str:
        """The target in words."""
        if self.target is None:
            return ""
        sign, unit = "≥" if self.at_least else "≤", f" {self.unit}" if self.against == "figure" else " ×"
        of = f" {self.against}" if self.against != "figure" else ""
        return f"{sign} {self.target:.3g}{unit}{of}"

    def texts(self) -> tuple[str, ...]:
        """What stands in the table."""
        figures = (_figure(value) for value in (self.ours, self.plain, self.limit, self.ratio))
        return f"{self.what}, {self.unit}", *figures, self.target_text, self.verdict


def cpu_s(work: Callable[[], object], repeats: int = REPEATS) -> float:
    """Median CPU seconds of this process, all threads, user and system."""
    return statistics.median(_one(work, time.process_time) for _ in range(repeats))


def wall_s(work: Callable[[], object], repeats: int = REPEATS) -> float:
    """Median seconds by the clock on the wall."""
    return statistics.median(_one(work, time.perf_counter) for _ in range(repeats))


def cold_cpu_s(work: Callable[[], object], paths: Sequence[Path], repeats: int = REPEATS) -> float:
    """Median CPU seconds with these files read from the disk each time."""

    def one() -> float:
        evict(paths)
        return _one(work, time.process_time)

    return statistics.median(one() for _ in range(repeats))


def _one(work: Callable[[], object], clock: Callable[[], float]) -> float:
    gc.collect()
    begun = clock()
    result = work()
    took = clock() - begun
    del result
    return took


def evict(paths: Iterable[Path]) -> None:
    """Take files, and all that lies in folders, out of the page cache, as after a start of the machine."""
    for path in paths:
        for file in [path] if path.is_file() else sorted(path.rglob("*")):
            if file.is_file():
                descriptor = os.open(file, os.O_RDONLY)
                try:
                    os.fsync(descriptor)  # only what is on the disk can be dropped
                    os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
                finally:
                    os.close(descriptor)


def in_memory() -> "TemporaryDirectory[str]":
    """A folder for live values: in memory, as on a Pi. On a disk each replaced file may wait for its journal."""
    return TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None)


def written_bytes() -> int:
    """Bytes this process has caused to be written to storage, as the kernel counts them (page by page)."""
    for line in Path("/proc/self/io").read_text().splitlines():
        if line.startswith("write_bytes:"):
            return int(line.split()[1])
    raise OSError("/proc/self/io counts no written bytes; run this on Linux")


def peak_mb() -> float:
    """The most memory this process ever had resident. Not getrusage: that is inherited from whoever started it."""
    line = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
    return int(line.split()[1]) / 1024 * 1.048576


def in_own_process(program: str, *arguments: object) -> list[float]:
    """Run a program of Python in a fresh process; the numbers it prints.

    Without pandas, which only developers have installed: sqlite_utils would import it, at 70 MB.
    """
    command = [sys.executable, "-c", f"import sys; sys.modules['pandas'] = None\n{program}", *map(str, arguments)]
    return [float(word) for word in subprocess.run(command, check=True, stdout=subprocess.PIPE).stdout.split()]


def exponent(sizes: Sequence[float], costs: Sequence[float]) -> float:
    """The power with which a cost grows: slope of its logarithm over that of the size, by least squares."""
    import numpy as np

    return float(np.polyfit(np.log(sizes), np.log(costs), 1)[0])


def machine() -> dict[str, Any]:
    """What the figures depend on, without naming the machine."""
    lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    named = [line.partition(":")[2].strip() for line in lines if line.startswith(("model name", "Model"))]
    return {
        "cpu": named[-1] if named else platform.machine(),
        "cores": os.cpu_count() or 1,
        "python": platform.python_version(),
    }


def document(title: str, rows: Sequence[Row], quick: bool = False) -> dict[str, Any]:
    """The figures as data, with date and machine."""
    return {
        "title": title,
        "date": f"{datetime.now(UTC):%Y-%m-%d}",
        "machine": machine(),
        "quick": quick,
        "rows": [{**asdict(row), "ratio": row.ratio, "verdict": row.verdict} for row in rows],
    }


def show(title: str, rows: list[Row], json_path: Path | None, quick: bool = False) -> int:
    """Print the table, write it as JSON; the exit code: 1 where a target is missed."""
    on = machine()
    print(f"{title}; {on['cpu']}, {on['cores']} cores, Python {on['python']}, medians of {REPEATS}")
    table = [HEADINGS, *(row.texts() for row in rows)]
    widths = [max(len(line[k]) for line in table) for k in range(len(HEADINGS))]
    for line in table:
        print(line[0].ljust(widths[0]), *(text.rjust(width) for text, width in zip(line[1:], widths[1:], strict=True)))
    if json_path is not None:
        json_path.write_text(json.dumps(document(title, rows, quick), indent=1), encoding="utf-8")
    return 1 if any(row.verdict == "missed" for row in rows) else 0


def markdown(rows: Sequence[Row]) -> str:
    """The rows as a table for a document."""
    lines = ["| what | ours | plain | limit | ratio | target | |", "|---|--:|--:|--:|--:|--:|---|"]
    lines += ["| " + " | ".join(text.strip() for text in row.texts()) + " |" for row in rows]
    return "\n".join(lines) + "\n"


def json_path_of(arguments: list[str]) -> Path | None:
    """`--json FILE` on the command line."""
    if "--json" not in arguments:
        return None
    place = arguments.index("--json") + 1
    if place >= len(arguments):
        sys.exit("--json needs a file name")
    return Path(arguments[place])


def _figure(value: float | None) -> str:
    return "" if value is None else f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.3g}"
