"""How bytes and time grow with the hours recorded, 0.1, 1, 8 and 24: `python -m tests.bench.scaling`.

The workload of the storage benchmark (tests/bench/workload.py) in one file. Each row gives the figure at each number of
hours and, as ours, the power with which it grows by least squares: 1 is linear. What shows a window or a fixed number
of pixels should grow less.
"""

import sys
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

from logger.event import NS_PER_S
from logger.store.compaction import compact
from logger.store.recording_reader import RecordingReader
from logger.store.recording_writer import RecordingWriter
from tests.bench import workload
from tests.bench.measure import REPEATS, Row, cold_cpu_s, cpu_s, exponent, show

HOURS = (0.1, 1.0, 8.0, 24.0)
MOST_EXPONENT = 1.05
PIXELS = 2000


def figures(path: Path, hours: float, repeats: int) -> dict[str, float]:
    """Everything measured on one recording of so many hours."""
    n_seconds = round(hours * 3600)
    spent = 0.0
    with RecordingWriter(path, workload.meta(), durable=False) as writer:
        for first in range(0, n_seconds, 60):
            seconds = [workload.second(index) for index in range(first, min(first + 60, n_seconds))]
            begun = time.process_time()
            for second in seconds:
                writer.append(second)
            spent += time.process_time() - begun
    size = path.stat().st_size / 1e6
    begun = time.process_time()
    compact(path)
    compacted = time.process_time() - begun
    middle = n_seconds // 2 * NS_PER_S

    def read(work: Callable[[RecordingReader], object]) -> Callable[[], object]:
        def opened() -> object:
            with RecordingReader(path) as reader:
                return work(reader)

        return opened

    window = read(lambda reader: reader.raws(reader.channels, middle, middle + 10 * NS_PER_S))
    overview = read(lambda reader: [reader.overview(name, n_columns=PIXELS) for name in reader.channels])
    return {
        "size while recording, MB": size,
        "size once closed, MB": path.stat().st_size / 1e6,
        "CPU of storing, s": spent,
        "CPU of compacting, s": compacted,
        "whole into arrays, CPU ms": 1e3 * cold_cpu_s(read(lambda reader: reader.recording()), [path], repeats),
        "window of 10 s, CPU ms": 1e3 * cpu_s(window, repeats),
        "overview at 2,000 px, CPU ms": 1e3 * cpu_s(overview, repeats),
    }


def measure(folder: Path, quick: bool) -> list[Row]:
    """The power of each figure's growth."""
    all_hours = (0.02, 0.1) if quick else HOURS
    repeats = 1 if quick else REPEATS
    measured = [figures(folder / f"{hours:g}.sqlite", hours, repeats) for hours in all_hours]
    rows = []
    for what in measured[0]:
        values = [one[what] for one in measured]
        told = ", ".join(f"{value:.3g}" for value in values)
        at = ", ".join(f"{hours:g}" for hours in all_hours)
        text = f"exponent of {what}: {told} at {at} h"
        rows.append(Row(text, "", exponent(all_hours, values), None, 1.0, MOST_EXPONENT, "figure", "scaling"))
    return rows


if __name__ == "__main__":
    with TemporaryDirectory(dir=".") as name:
        sys.exit(show("scaling", measure(Path(name), "--quick" in sys.argv), None))
