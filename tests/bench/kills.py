"""kill -9 at random instants: every second that had been acknowledged is there afterwards.

    python -m tests.bench.kills [--n 1000] [--stalls]

A process appends seconds as fast as the disk takes them, through the real writer, and says each one's number once its
commit has returned; it is killed after a random time, from the making of the file on. With `--stalls` every commit is
followed by up to 20 ms of waiting, so that kills also hit the time between commits. Exits with 1 where a file or an
acknowledged second was lost, or SQLite finds fault with a recovered file.
"""

import random
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from logger.store.recording import RecordingReader
from logger.store.salvage import salvage

PROGRAM = """
import random, sys, time
from pathlib import Path
from logger.store.recording import RecordingWriter
from tests.store.recordings import meta, second
print("ready", flush=True)
sys.stdin.readline()
writer = RecordingWriter(Path(sys.argv[1]), meta())
for index in range(10**6):
    writer.append(second(index))
    print(index, flush=True)
    if sys.argv[2] == "stalls":
        time.sleep(random.random() / 50)
"""


def killed_once(path: Path, after_s: float, stalls: bool) -> tuple[int, int]:
    """(seconds acknowledged, seconds found after recovery); the file may be missing only if none was acknowledged."""
    arguments = [sys.executable, "-c", PROGRAM, str(path), "stalls" if stalls else ""]
    with subprocess.Popen(arguments, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdin is not None
        assert child.stdout is not None
        child.stdout.readline()
        child.stdin.write("go\n")
        child.stdin.flush()
        time.sleep(after_s)
        child.kill()
        said = child.stdout.read().split()
    acknowledged = int(said[-1]) + 1 if said else 0
    if not path.exists():
        return acknowledged, 0
    salvage(path)
    with RecordingReader(path) as reader:
        if reader.quick_check() != "ok" or reader.how_closed != "recovered":
            return acknowledged, -1
        n = reader.raw("battery_voltage").time_ns.size
        return acknowledged, n // 100 if n % 100 == 0 else -1


def main(arguments: list[str]) -> int:
    n = int(arguments[arguments.index("--n") + 1]) if "--n" in arguments else 1000
    lost_files = lost_seconds = total = unfinished = 0
    with TemporaryDirectory(dir=".") as name:
        for k in range(n):
            path = Path(name) / f"{k}.sqlite"
            acknowledged, found = killed_once(path, random.Random(k).random() * 0.25, "--stalls" in arguments)
            total += acknowledged
            lost_files += acknowledged > 0 and not path.exists()
            lost_seconds += max(0, acknowledged - found)
            unfinished += found > acknowledged
            for leftover in path.parent.glob(f"{path.name}*"):
                leftover.unlink()
    print(
        f"{n} kills, {total} seconds acknowledged: {lost_files} files and {lost_seconds} acknowledged seconds lost; "
        f"{unfinished} times the commit under way had got through as well"
    )
    return 1 if lost_files or lost_seconds else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
