"""How soon findings are there after a run, while the day behind it grows.

    python -m tests.bench.incremental

A day of so many recorded hours, one file for each run, has been analysed; a run of 90 s more has just ended. Measured
is the worker's CPU from the look at the folder until the run's own findings are in the logbook (logger/first_look.py),
five runs one after the other; the analysis of the whole day follows. plain: that analysis in place of the first look.
limit: analysing the one run as an event of its own.
"""

import statistics
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from logger.first_look import first_look
from logger.store.store import Store
from logger.work import analyse_event
from tests.bench import day
from tests.bench.measure import REPEATS, Row, cpu_s, show

MOST_S = 0.150
HOURS = (0.5, 2.0, 8.0)


def measure(folder: Path, quick: bool) -> list[Row]:
    """CPU seconds after a run for days of several lengths."""
    runs, repeats = day.record_runs(), 1 if quick else REPEATS
    with Store(folder / "alone") as store:
        day.write_run(folder / "alone", runs, 0)
        event_id = store.find("latest")
        alone = cpu_s(lambda: analyse_event(store, event_id), repeats)
    return [_after(folder / f"{hours:g}", hours, alone, repeats) for hours in ((0.15,) if quick else HOURS)]


def _after(folder: Path, hours: float, alone: float, repeats: int) -> Row:
    runs = day.record_runs()
    with Store(folder) as store:
        number = day.write_runs(folder, runs, hours)
        event_id = store.find("latest")
        whole = cpu_s(lambda: analyse_event(store, event_id), 1)
        findings, fingerprint = store.findings(event_id), store.input_fingerprint(event_id)
        taken = []
        for more in range(repeats):
            day.write_run(folder, runs, number + more)
            begun = time.process_time()
            store.scan()
            if not first_look(store, event_id):
                raise SystemExit("the first look found nothing new")
            taken.append(time.process_time() - begun)
            # As it was before, but for the run that is known by now.
            known = [*findings["links"]["runs"], {"recording": store.recordings(event_id)[-1].name}]
            findings["links"]["runs"] = known
            store.save_findings(event_id, findings, fingerprint)
    what = f"findings after a run of {runs[0].seconds} s at the end of {hours:g} h"
    return Row(what, "CPU s", statistics.median(taken), whole, alone, MOST_S, "figure", "incremental")


if __name__ == "__main__":
    with TemporaryDirectory(dir=".") as name:
        sys.exit(show("incremental", measure(Path(name), "--quick" in sys.argv), None))
