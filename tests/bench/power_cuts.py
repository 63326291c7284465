"""Power cuts, emulated below SQLite: whatever had not been synced is dropped, kept or torn, sector by sector.

    python -m tests.bench.power_cuts [--n 200] [--seconds 1500]

A process hands seconds to the real committing thread, one each 50 ms, while `strace` takes down its writes, syncs,
renames and their order; six commits stall, for 0.5 to 60 seconds each. At random places in that list the power is cut:
each file is what its last fsync or fdatasync had made safe, and of every write after that none, all, or any of its
512-byte sectors. Then the recording is salvaged and read. Exits with 1 where a second that had been acknowledged before
the cut is missing, or SQLite's integrity check finds fault with the recovered file. What had been handed over and not
yet acknowledged, the current second and those that waited for a stalled commit, is what a cut may cost.
"""

import random
import re
import statistics
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

from logger.store import schema
from logger.store.recording_reader import RecordingReader
from logger.store.salvage import salvage

SECTOR = 512
CALLS = "openat,close,pwrite64,write,fsync,fdatasync,ftruncate,unlink,rename"
STALLS_S = (0.5, 2.0, 5.0, 15.0, 30.0, 60.0)
PROGRAM = """
import os, sys, time
from pathlib import Path
from logger.recorder.commit import CommitThread
from logger.store.recording_writer import RecordingWriter
from tests.store.recordings import meta, second
from tests.bench.power_cuts import STALLS_S
n, second_s = int(sys.argv[2]), float(sys.argv[3])
stalls = {(k + 1) * n // (len(STALLS_S) + 1): stall * second_s for k, stall in enumerate(STALLS_S)}
class Stalling(RecordingWriter):
    def append(self, item):
        time.sleep(stalls.get(item.index, 0.0))
        super().append(item)
        os.write(1, b"%d\\n" % item.index)
commit = CommitThread(lambda: Stalling(Path(sys.argv[1]), meta()), 120)
begun = time.monotonic()
for index in range(n):
    time.sleep(max(0.0, begun + index * second_s - time.monotonic()))
    os.write(1, b"+%d\\n" % index)
    commit.put(second(index))
commit.close(60.0)
assert not commit.health.dropped
"""


@dataclass(slots=True)
class File:
    """What is safe of one file, and what was done to it since its last sync: (offset, data), or (size, None)."""

    safe: bytearray = field(default_factory=bytearray)
    pending: list[tuple[int, bytes | None]] = field(default_factory=list)
    is_named: bool = False

    def sync(self) -> None:
        for offset, data in self.pending:
            apply(self.safe, offset, data)
        self.pending.clear()
        self.is_named = True

    def after_cut(self, dice: random.Random) -> bytes:
        content = bytearray(self.safe)
        for offset, data in self.pending:
            fate = dice.choice(("none", "all", "torn"))
            if data is None or fate == "all":
                if data is not None or fate != "none":
                    apply(content, offset, data)
            elif fate == "torn":
                for at in range(0, len(data), SECTOR):
                    if dice.random() < 0.5:
                        apply(content, offset + at, data[at : at + SECTOR])
        return bytes(content)


def apply(content: bytearray, offset: int, data: bytes | None) -> None:
    if data is None:
        del content[offset:]
        content.extend(bytes(max(0, offset - len(content))))
        return
    content.extend(bytes(max(0, offset + len(data) - len(content))))
    content[offset : offset + len(data)] = data


def trace(folder: Path, n_seconds: int, second_s: float = 0.05) -> list[tuple[str, list[str], int]]:
    """(call, arguments, result) of every call that matters, in order. second_s: how long one second takes."""
    log = folder / "calls"
    target = folder / "traced" / "a.sqlite"
    target.parent.mkdir()
    command = ["strace", "-f", "-o", str(log), "-e", f"trace={CALLS}", "-xx", "-s", "100000"]
    subprocess.run(
        [*command, sys.executable, "-c", PROGRAM, str(target), str(n_seconds), str(second_s)],
        check=True,
        stdout=subprocess.DEVNULL,
    )
    return parsed(log.read_text().splitlines())


def parsed(lines: Sequence[str]) -> list[tuple[str, list[str], int]]:
    """The calls of what strace took down. One that another thread's came in between is put together again."""
    begun: dict[str, str] = {}
    calls = []
    for line in lines:
        thread, said = line.split(maxsplit=1)
        if said.endswith("<unfinished ...>"):
            begun[thread] = said.removesuffix("<unfinished ...>").rstrip()
            continue
        if said.startswith("<..."):
            said = begun.pop(thread) + said.split("resumed>", 1)[1]
        match = re.match(r"(\w+)\((.*)\) += (-?\d+)", said)
        if match:
            # Texts are all hexadecimal, so no comma lies inside one.
            calls.append((match[1], match[2].split(", "), int(match[3])))
    return calls


def text(argument: str) -> bytes:
    return bytes.fromhex(argument.strip('"').replace("\\x", ""))


def replay(calls: list[tuple[str, list[str], int]]) -> Iterator[tuple[dict[str, File], int, int]]:
    """The files after each call that changes them, by name, and the seconds acknowledged and handed over so far."""
    files: dict[str, File] = {}
    names: dict[int, str] = {}
    acknowledged = handed = 0
    for call, arguments, result in calls:
        if result < 0:
            continue
        if call == "openat":
            name = Path(text(arguments[1]).decode()).name
            names.pop(result, None)
            if name.startswith("a.sqlite") and not name.endswith("-shm"):
                names[result] = name
                files.setdefault(name, File())
        elif call in ("rename", "unlink"):
            name = Path(text(arguments[0]).decode()).name
            if name not in files:
                continue
            gone = files.pop(name)
            if call == "rename":
                files[Path(text(arguments[1]).decode()).name] = gone
                names = {fd: known for fd, known in names.items() if known != name}
        else:
            fd = int(arguments[0])
            if call == "write" and fd == 1:
                said = text(arguments[1])
                if said.startswith(b"+"):
                    handed = int(said) + 1
                else:
                    acknowledged = int(said) + 1
            if fd not in names or names[fd] not in files:
                continue
            file = files[names[fd]]
            if call == "close":
                del names[fd]
            elif call == "pwrite64":
                file.pending.append((int(arguments[3]), text(arguments[1])))
            elif call == "ftruncate":
                file.pending.append((int(arguments[1]), None))
            elif call in ("fsync", "fdatasync"):
                file.sync()
        yield files, acknowledged, handed


def cut_and_recover(files: dict[str, File], folder: Path, dice: random.Random) -> tuple[int, str]:
    """(seconds that are whole after recovery, what the recovered file was called)."""
    for name, file in files.items():
        if file.is_named or dice.random() < 0.5:
            (folder / name).write_bytes(file.after_cut(dice))
    path = folder / "a.sqlite"
    result = salvage(path)
    with RecordingReader(path) as reader:
        n = reader.raw("battery_voltage").time_ns.size
    connection = schema.connect(path)
    verdict = connection.execute("PRAGMA integrity_check").fetchone()[0]
    connection.close()
    return (n // 100 if n % 100 == 0 and verdict == "ok" else -1), result.state


def main(arguments: list[str]) -> int:
    n = int(arguments[arguments.index("--n") + 1]) if "--n" in arguments else 200
    n_seconds = int(arguments[arguments.index("--seconds") + 1]) if "--seconds" in arguments else 1500
    dice = random.Random(1)
    lost = faults = whole = 0
    costs: list[int] = []
    with TemporaryDirectory(dir=".") as name:
        calls = trace(Path(name), n_seconds)
        places = [k for k, (files, *_) in enumerate(replay(calls)) if "a.sqlite" in files]
        chosen = sorted(dice.sample(places, min(n, len(places))))
        states = enumerate(replay(calls))
        for number, place in enumerate(chosen):
            files, acknowledged, handed = next(state for k, state in states if k == place)
            folder = Path(name) / str(number)
            folder.mkdir()
            found, state = cut_and_recover(files, folder, dice)
            faults += found < 0
            lost += max(0, acknowledged - found) if found >= 0 else 0
            whole += state in ("recovered", "whole")
            costs.append(handed - found)
    print(
        f"{len(chosen)} power cuts among {len(places)} calls of {n_seconds} commits: {lost} acknowledged seconds lost, "
        f"{faults} files at fault, {whole} recovered without salvage"
    )
    print(
        f"seconds handed over and not there: median {statistics.median(costs):g}, more than one in "
        f"{sum(cost > 1 for cost in costs)} cuts, at most {max(costs)} (of a stall of {max(STALLS_S):g} s)"
    )
    return 1 if lost or faults else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
