"""Settings files and capture folders with damage: 5,000 of each, read or refused in one sentence, never a crash.

    python -m tests.bench.mutations [--n 5000]

Each has one to three of its bytes changed, stretches left out or doubled, numbers replaced by odd ones, or its end cut
off. Exits with 1 where reading raised anything but a SettingsError or a CaptureError, said more than one line, or
named no file; or where what was read cannot be written down and read back the same.
"""

import random
import re
import shutil
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

from logger import settings
from logger.errors import CaptureError, SettingsError
from logger.settings import Settings
from logger.store.capture import read_folder
from logger.store.capture_out import write_folder
from tests.store.events import small_event

ODD = (
    b"nan",
    b"-inf",
    b"1e999",
    b"-0.0",
    b"9" * 30,
    b"0x10",
    b"",
    b"true",
    b'"',
    b"\xff\xfe",
    b"\x00",
    b"1_0",
    b"\n\n",
)
NUMBER = re.compile(rb"-?[0-9][0-9.]*")
BAD = ("crashed", "says too much", "names no file", "read back differently")


def damage(data: bytes, dice: random.Random) -> bytes:
    """The same bytes with one to three kinds of harm done to them."""
    for _ in range(dice.randint(1, 3)):
        at = dice.randrange(len(data) + 1)
        to = min(len(data), at + dice.randint(1, 40))
        numbers = list(NUMBER.finditer(data))
        harm = dice.randrange(6)
        if harm == 0 and at < len(data):
            data = data[:at] + bytes([data[at] ^ 1 << dice.randrange(8)]) + data[at + 1 :]
        elif harm == 1:
            data = data[:at] + data[to:]
        elif harm == 2:
            data = data[:to] + data[at:to] + data[to:]
        elif harm == 3 and numbers:
            number = dice.choice(numbers)
            data = data[: number.start()] + dice.choice(ODD) + data[number.end() :]
        elif harm == 4:
            data = data[:at] + dice.choice(ODD) + data[at:]
        elif harm == 5 and dice.random() < 0.2:
            data = data[:at]
    return data


def outcome(read: Callable[[], object], again: Callable[[object], bool], name: str) -> str:
    """What became of reading one."""
    try:
        found = read()
    except (SettingsError, CaptureError) as error:
        said = str(error)
        return "says too much" if "\n" in said else "refused" if name in said else "names no file"
    except Exception:  # noqa: BLE001
        return "crashed"
    return "read" if again(found) else "read back differently"


def of_settings(folder: Path, original: bytes, dice: random.Random) -> str:
    """One damaged settings file."""
    path = folder / "settings.toml"
    path.write_bytes(damage(original, dice))
    return outcome(
        lambda: settings.load(path),
        lambda found: isinstance(found, Settings) and Settings.from_dict(found.to_dict()) == found,
        path.name,
    )


def of_folder(original: Path, folder: Path, dice: random.Random) -> str:
    """One capture folder with a damaged, or a missing, file."""
    copy = folder / "day"
    shutil.copytree(original, copy)
    path = dice.choice(sorted(path for path in copy.rglob("*") if path.is_file()))
    if dice.random() < 0.05:
        path.unlink()
    else:
        path.write_bytes(damage(path.read_bytes(), dice))

    def again(found: object) -> bool:
        write_folder(found, folder / "again")  # type: ignore[arg-type]
        return read_folder(folder / "again").name == found.name  # type: ignore[attr-defined]

    result = outcome(lambda: read_folder(copy), again, copy.name)
    shutil.rmtree(copy)
    shutil.rmtree(folder / "again", ignore_errors=True)
    return result


def run(n: int, folder: Path, seed: int = 1) -> Counter[str]:
    """Outcomes of so many of each kind."""
    dice = random.Random(seed)
    outcomes: Counter[str] = Counter()
    original = settings.DEFAULT_FILE.read_bytes()
    write_folder(small_event(), folder / "original")
    for _ in range(n):
        outcomes["settings " + of_settings(folder, original, dice)] += 1
        outcomes["capture folder " + of_folder(folder / "original", folder, dice)] += 1
    return outcomes


def main(arguments: list[str]) -> int:
    n = int(arguments[arguments.index("--n") + 1]) if "--n" in arguments else 5000
    with TemporaryDirectory() as name:
        outcomes = run(n, Path(name))
    for what, count in sorted(outcomes.items()):
        print(f"{count:6} {what}")
    return 1 if any(what.endswith(BAD) for what in outcomes) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
