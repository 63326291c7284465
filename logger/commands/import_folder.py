"""`stumblelog import`: take a capture folder or an exported event in."""

import argparse
import json
import time
from pathlib import Path

from logger.commands import terminal
from logger.commands.common import add_data_dir, open_store, settings_of
from logger.errors import StoreError

HELP = "Take in a folder of CSV files with a capture.toml, or an event exported as bundle, SQLite or Parquet."
EXAMPLE = "stumblelog import hollow-quarry-round-3"

FRESH_S = 5.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "path", type=Path, metavar="PATH", help="a folder that holds capture.toml, a bundle, or another export but MDF"
    )
    add_data_dir(parser)


def run(args: argparse.Namespace) -> int:
    if engine_is_running(Path(settings_of(args).recorder.run_dir)):
        raise StoreError("the engine is running and its recording comes first; import once it stands still")
    from logger.store.exports.incoming import take_in

    with open_store(args) as store, terminal.progress("importing") as progress:
        event_ids = take_in(store, args.path, progress)
    print("\n".join(event_ids) or "nothing new")
    return 0


def engine_is_running(run_dir: Path) -> bool:
    """Whether a recorder on this machine says so; live values older than a few seconds say nothing."""
    path = run_dir / "live.json"
    try:
        if time.time() - path.stat().st_mtime > FRESH_S:
            return False
        return bool(json.loads(path.read_text(encoding="utf-8")).get("engine_rpm"))
    except (OSError, ValueError):  # no recorder here, or none that we may look at
        return False
