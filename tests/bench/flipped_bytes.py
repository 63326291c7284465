"""Recording files with flipped bits: 5,000 of them read and salvaged; none may crash or change what is read.

    python -m tests.bench.flipped_bytes [--n 5000]

Each file, of the three states a recording can be in, has one to three bits flipped, a third of them in its first
4 KiB. Exits with 1 where a reader or the salvage raised anything but StoreError, handed out a sample that was never
stored, or lost some without saying so.
"""

import shutil
import sys
from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from logger.errors import StoreError
from logger.store.recording_reader import RecordingReader
from logger.store.salvage import salvage
from tests.store.recordings import all_same, everything, fill_shelf, flip, is_part, take

STATES = ("cut", "closed", "compacted")
N_SECONDS = 70
BAD = ("reading crashed", "reading changed silently", "salvage crashed", "salvage made data up", "lost without a word")


def mutate(path: Path, state: str, random: np.random.Generator) -> None:
    wal = Path(f"{path}-wal")
    target = wal if state == "cut" and random.random() < 0.7 else path
    size = 8 * target.stat().st_size
    n = int(random.integers(1, 4))
    flip(target, *(int(random.integers(0, min(size, 8 * 4096) if random.random() < 0.33 else size)) for _ in range(n)))


def outcome_of_reading(path: Path, stored: dict[str, object]) -> str:
    try:
        with RecordingReader(path) as reader:
            got, is_closed = reader.raws(reader.channels), reader.is_closed
            reader.gaps(), reader.health(), reader.overview("battery_voltage", n_columns=9)
    except StoreError:
        return "reading refused"
    except Exception:  # noqa: BLE001
        return "reading crashed"
    if all_same(got, stored):  # type: ignore[arg-type]
        return "read unharmed"
    if not is_closed and all(is_part(got[name], stored[name]) for name in got):  # type: ignore[arg-type]
        return "read up to the damage in its log"
    return "reading changed silently"


def outcome_of_salvage(path: Path, state: str, stored: dict[str, object]) -> str:
    try:
        result = salvage(path)
        got = everything(path)
    except StoreError:
        return "salvage refused"
    except Exception:  # noqa: BLE001
        return "salvage crashed"
    if not all(is_part(got[name], stored[name]) for name in got):  # type: ignore[arg-type]
        return "salvage made data up"
    if all_same(got, stored):  # type: ignore[arg-type]
        return f"{result.state}, all of it"
    torn = state == "cut" and got["tach_pulses"].time_ns.size >= 150 * (N_SECONDS - 1)
    return f"{result.state}, the rest named as lost" if result.lost or torn else "lost without a word"


def main(arguments: list[str]) -> int:
    n = int(arguments[arguments.index("--n") + 1]) if "--n" in arguments else 5000
    random = np.random.default_rng(1)
    outcomes: Counter[str] = Counter()
    with TemporaryDirectory() as name:
        shelf = Path(name) / "shelf"
        shelf.mkdir()
        fill_shelf(shelf, N_SECONDS)
        for k in range(n):
            folder = Path(name) / "work"
            folder.mkdir()
            state = STATES[k % 3]
            stored = take(shelf, state, folder / "a.sqlite")
            mutate(folder / "a.sqlite", state, random)
            outcomes[outcome_of_reading(folder / "a.sqlite", stored)] += 1  # type: ignore[arg-type]
            outcomes[outcome_of_salvage(folder / "a.sqlite", state, stored)] += 1  # type: ignore[arg-type]
            shutil.rmtree(folder)
    for what, count in sorted(outcomes.items()):
        print(f"{count:6} {what}")
    return 1 if any(outcomes[bad] for bad in BAD) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
