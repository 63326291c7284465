"""kill -9 at random instants: every second that had been acknowledged is there afterwards.

    python -m tests.bench.kills [--n 1000] [--stalls | --recorder]

A process appends seconds as fast as the disk takes them, through the real writer, and says each one's number once its
commit has returned; it is killed after a random time, from the making of the file on. With `--stalls` every commit is
followed by up to 20 ms of waiting, so that kills also hit the time between commits.

With `--recorder` it is the whole recorder, on the emulated bus in real time, that is killed, up to four seconds after
its start. What a kill cost is the time from the last sample in the recovered file to the kill: the second that was
under way, and what the recorder says of its latest commit and its lateness.

Exits with 1 where a file or an acknowledged second was lost, or SQLite finds fault with a recovered file.
"""

import random
import statistics
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from logger.recorder.live import read_live
from logger.store.recording_reader import RecordingReader
from logger.store.salvage import salvage

SLACK_S = 0.05
"""The chip's last sample lies up to a period before the second's end; a tick takes some milliseconds."""

PROGRAM = """
import random, sys, time
from pathlib import Path
from logger.store.recording_writer import RecordingWriter
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


def recorder_killed_once(folder: Path, after_s: float) -> tuple[float, float] | None:
    """(seconds lost, seconds that may be lost) of the recorder, killed so long after its start; None where it had not
    said yet that something is stored. Raises ValueError where the recovered file is not sound."""
    program = [sys.executable, "-m", "tests.recorder.rig_process", str(folder / "data"), str(folder / "run")]
    with subprocess.Popen(program, stderr=subprocess.DEVNULL) as child:
        time.sleep(after_s)
        killed_ns = time.monotonic_ns()
        child.kill()
    word = read_live(folder / "run") or {}
    if not (word.get("recording") or {}).get("committed_s"):
        return None
    (path,) = (folder / "data" / "recordings").glob("*.sqlite")
    salvage(path)
    with RecordingReader(path) as reader:
        if reader.quick_check() != "ok" or reader.how_closed != "recovered":
            raise ValueError(f"{path}: not sound after recovery")
        last_ns = int(reader.raw("battery_voltage").time_ns[-1]) + reader.meta.started_monotonic_ns
    health = word["health"]
    slow_s = (health["commit"]["peak_commit_ms"] + health["peak_late_ms"]) / 1e3
    return (killed_ns - last_ns) / 1e9, 1.0 + slow_s + SLACK_S


def kill_recorders(n: int) -> int:
    """The exit code; prints the figures."""
    dice, costs, over = random.Random(0), [], 0
    for _ in range(n):
        with TemporaryDirectory(dir=".") as name:
            found = recorder_killed_once(Path(name), dice.uniform(0.1, 4.0))
        if found is not None:
            costs.append(found[0])
            over += found[0] > found[1]
    print(
        f"{n} kills of the recorder, {n - len(costs)} before anything was stored; lost in the others: median "
        f"{statistics.median(costs):.2f}, most {max(costs):.2f} s; {over} times more than a second, its commit and its "
        "lateness"
    )
    return 1 if over else 0


def main(arguments: list[str]) -> int:
    n = int(arguments[arguments.index("--n") + 1]) if "--n" in arguments else 1000
    if "--recorder" in arguments:
        return kill_recorders(n)
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
