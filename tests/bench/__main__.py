"""Every figure that the project is held to, measured by one command.

    python -m tests.bench [--only ROW ...] [--list] [--quick] [--json FILE] [--table]

Each row compares in one run our path, the plain way of doing it and the limit (what the machine needs at least), with
medians of five. `--quick` takes short days and few repeats, for a look whether everything still runs: its figures say
little. `--table` writes the figures into DEVELOPERS.md. Exits with 1 where a target is missed (never after --quick).
"""

import argparse
import importlib
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.bench.measure import Row, machine, markdown, show

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"
SECTION = "## How fast, how large"


@dataclass(frozen=True, slots=True)
class Bench:
    """One measurement and the rows of the table of targets that it fills. `function`: takes a folder on the disk to
    work in and whether to be quick, returns a list of Row."""

    module: str
    function: str
    rows: tuple[str, ...]

    def run(self, folder: Path, quick: bool) -> list[Row]:
        measured: list[Row] = getattr(importlib.import_module(f"tests.bench.{self.module}"), self.function)(
            folder, quick
        )
        return measured


ROWS = {
    "disk": "disk while recording",
    "closed": "size of a closed event of 8 hours",
    "written": "bytes written per hour",
    "storing": "CPU of storing",
    "recorder": "CPU of the whole recorder",
    "whole": "a whole event of 8 hours into arrays",
    "window": "a window of 10 s into arrays",
    "overview": "overview of 8 hours",
    "analysis": "analysis of 8 hours, and how it grows",
    "incremental": "analysis of a run that has just ended, while the day grows",
    "page": "the page's window of traces",
    "view": "first view of the page in a browser",
    "start": "start of the recorder",
    "import": "import of a capture folder",
    "memory": "memory of recorder and analysis",
    "scaling": "time and bytes against hours recorded",
    "events": "list of events against their number",
}

BENCHES = (
    Bench("storage", "measure_writing", ("disk", "written", "storing")),
    Bench("storage", "measure_reading", ("closed", "whole", "window", "overview")),
    Bench("recorder", "measure_cpu", ("recorder",)),
    Bench("recorder", "measure_start", ("start",)),
    Bench("recorder", "measure_memory", ("memory",)),
    Bench("analysis_speed", "measure_speed", ("analysis",)),
    Bench("analysis_speed", "measure_files", ("analysis", "memory")),
    Bench("incremental", "measure", ("incremental",)),
    Bench("page_speed", "measure", ("page",)),
    Bench("first_view", "measure", ("view",)),
    Bench("import_speed", "measure", ("import",)),
    Bench("scaling", "measure", ("scaling",)),
    Bench("event_list", "measure", ("events",)),
)


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__.splitlines()[0])
    parser.add_argument("--only", nargs="+", choices=ROWS, default=list(ROWS), metavar="ROW", help="measure only these")
    parser.add_argument("--list", action="store_true", help="name the rows and measure nothing")
    parser.add_argument("--quick", action="store_true", help="short days and few repeats")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures there")
    parser.add_argument("--table", action="store_true", help="write the figures into DEVELOPERS.md")
    options = parser.parse_args(arguments)
    if options.quick and options.table:
        parser.error("--table takes figures that mean something; leave --quick out")
    if options.list:
        print("\n".join(f"{key:12} {what}" for key, what in ROWS.items()))
        return 0
    rows: list[Row] = []
    for bench in BENCHES:
        if not set(bench.rows).isdisjoint(options.only):
            print(f"{bench.module}: {', '.join(bench.rows)} ...", file=sys.stderr, flush=True)
            with TemporaryDirectory(dir=".") as name:
                rows += [row for row in bench.run(Path(name), options.quick) if row.key in options.only]
    rows.sort(key=lambda row: list(ROWS).index(row.key))
    missed = show("quick look, figures say little" if options.quick else "all rows", rows, options.json, options.quick)
    if options.table:
        write_table(DEVELOPERS, rows)
    return 0 if options.quick else missed


def write_table(path: Path, rows: Sequence[Row]) -> None:
    """Put the table, with date and machine, in place of the document's section of that name, or at its end."""
    on = machine()
    today = f"{datetime.now(UTC):%Y-%m-%d}"
    head = f"Measured on {today}: {on['cpu']}, {on['cores']} cores, Python {on['python']}; medians of five."
    how = "Written by `python -m tests.bench --table`. Plain: the obvious way; limit: what the machine needs at least."
    section = f"{SECTION}\n\n{head}\n{how}\n\n{markdown(rows)}"
    before, found, after = path.read_text(encoding="utf-8").partition(f"{SECTION}\n")
    _, following, rest = after.partition("\n## ")
    kept = f"\n## {rest}" if found and following else ""
    path.write_text(f"{before.rstrip()}\n\n{section}{kept}", encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
