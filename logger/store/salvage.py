"""What is done with a recording whose power was cut, or whose card has damaged it.

::

    whole, closed            nothing
    whole, not closed        its WAL is folded in and the closing entry written: "recovered"
    damaged                  x.sqlite is kept as x.sqlite.damaged; every row or block that passes its check sum goes
                             into a new x.sqlite, the others become gaps that say so: "salvaged"

Nothing is ever deleted, and a row that does not pass its check sum is never used.
"""

import json
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from logger.errors import StoreError
from logger.event import NS_PER_S, Gap
from logger.store import schema
from logger.store.blocks import Series, decode, encode
from logger.store.carve import Carved, carve, lost_commits, readable_bytes
from logger.store.closed_source import BLOCK_NS, INDEX, minute_of
from logger.store.compaction import BlockWriter
from logger.store.description import RecordingMeta
from logger.store.recording_reader import RecordingReader, merge_gaps
from logger.store.recording_writer import finish, fold
from logger.store.schema import RecordingBusyError, RecordingNewerError, sqlite_errors
from logger.store.summary import COARSE_S, SummaryLayout

DAMAGED_SUFFIX = ".damaged"
DAMAGED = "damaged on the card"
_FIRST_BLOCK_ID = 1 << 40

State = Literal["whole", "recovered", "salvaged"]


@dataclass(frozen=True, slots=True)
class Salvage:
    """What became of one file. lost: stretches that could not be read any more. kept: the damaged original."""

    path: Path
    state: State
    problem: str = ""
    lost: tuple[Gap, ...] = ()
    kept: Path | None = None

    def __str__(self) -> str:
        if self.state == "whole":
            return f"{self.path.name}: whole"
        if self.state == "recovered":
            return f"{self.path.name}: its power was cut; all that had been stored is there"
        lost_s = sum(gap.to_ns - gap.from_ns for gap in self.lost) / NS_PER_S
        kept = self.kept.name if self.kept else ""
        return f"{self.path.name}: salvaged ({self.problem}); {lost_s:g} s lost; the original is kept as {kept}"


def salvage(path: Path) -> Salvage:
    """Check a recording that nobody is writing, and put right what can be put right.

    Raises StoreError where it is in use, is no recording, is newer than this program, or holds nothing whole.
    """
    wal = readable_bytes(Path(f"{path}-wal"))
    # What SQLite is about to pass over is put aside before it does.
    is_broken = lost_commits(wal) > 1
    kept_before = _originals(path)
    kept = _keep(path, wal) if is_broken else None
    try:
        was_closed = fold(path)
        problem = find_problem(path)
    except (RecordingBusyError, RecordingNewerError):
        for name in (kept, Path(f"{kept}-wal")) if kept and kept not in kept_before else ():
            name.unlink(missing_ok=True)
        raise
    except StoreError as error:
        return _rebuild(path, wal, str(error), error)
    if is_broken:
        problem = f"{path}: damaged: its write-ahead log is broken in the middle"
    elif not problem and _was_cut_short(path):
        problem = f"{path}: damaged: an earlier salvage was cut short"
    if problem:
        return _rebuild(path, wal, problem, None)
    if not was_closed:
        _close(path)
    return Salvage(path, "whole" if was_closed else "recovered")


def find_problem(path: Path) -> str:
    """Read everything there is in a recording; empty, or what is wrong with it."""
    try:
        with RecordingReader(path) as reader:
            verdict = reader.quick_check()
            if verdict != "ok":
                return f"{path}: damaged: {verdict}"
            reader.raws(reader.channels)
            for channel in reader.channels:
                reader.summaries(channel)
                reader.summaries(channel, COARSE_S)
            reader.gaps()
            reader.health()
    except StoreError as error:
        return str(error)
    return ""


def _close(path: Path) -> None:
    with RecordingReader(path) as reader:
        last = [series.time_ns[-1] for series in reader.raws(reader.channels).values() if series.time_ns.size]
        n_rows = reader.n_seconds
    connection = schema.connect(path, write=True)
    try:
        with sqlite_errors(path):
            duration_ns = int(max(last, default=0))
            finish(connection, {"how": "recovered", "rows": n_rows, "duration_ns": duration_ns})
    finally:
        connection.close()


def _was_cut_short(path: Path) -> bool:
    with RecordingReader(path) as reader:
        return bool(_originals(path)) and reader.how_closed != "salvaged"


def _originals(path: Path) -> list[Path]:
    """The damaged originals kept beside a recording, oldest first."""
    return sorted(kept for kept in path.parent.glob(f"{path.name}{DAMAGED_SUFFIX}*") if not kept.name.endswith("-wal"))


def _rebuild(path: Path, wal: bytes, problem: str, refusal: StoreError | None) -> Salvage:
    """`refusal`: why the file cannot even be opened; it stands if no row in it shows that it is one of ours."""
    if not path.is_file():
        raise refusal or StoreError(f"{path}: there is no such recording")
    found = carve(path, wal)
    for original in _originals(path):
        found.add(carve(original, readable_bytes(Path(f"{original}-wal"))))
    descriptions = found.descriptions
    if not descriptions or not (found.seconds or found.keyed):
        raise refusal or StoreError(f"{path}: damaged beyond salvage: its description or all of its rows are gone")
    meta = RecordingMeta.from_json(descriptions[0]).dated(json.loads(found.meta.get(schema.CLOCK, b"null")))
    kept = _keep(path, wal)
    partial = schema.partial_of(path)
    # Only a compacted file has rows below 0, those that speak of the whole of it.
    has_blocks = any(key >= _FIRST_BLOCK_ID or key < 0 for key in found.keyed)
    try:
        lost = _refill_blocks(path, meta, found) if has_blocks else _refill_seconds(path, meta, found)
        for leftover in (f"{path}-wal", f"{path}-shm"):
            Path(leftover).unlink(missing_ok=True)
        schema.put_in_place(partial, path)
    except BaseException:
        partial.unlink(missing_ok=True)
        raise
    return Salvage(path, "salvaged", problem.removeprefix(f"{path}: "), lost, kept)


def _keep(path: Path, wal: bytes) -> Path:
    """Another name for the damaged file, with its WAL; the same one again where it has been kept already."""
    originals = _originals(path)
    for original in originals:
        if original.samefile(path):
            return original
    number = str(len(originals) + 1) if originals else ""
    kept = Path(f"{path}{DAMAGED_SUFFIX}{number}")
    if wal:
        _write(Path(f"{kept}-wal"), wal)
    try:
        os.link(path, kept)
    except OSError:
        # No hard links on this file system.
        _write(kept, readable_bytes(path))
    schema.sync_directory(path.parent)
    return kept


def _write(path: Path, data: bytes) -> None:
    """On stable storage when it returns: what this is a copy of is about to go."""
    with path.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def _refill_seconds(path: Path, meta: RecordingMeta, found: Carved) -> tuple[Gap, ...]:
    """A file of seconds with the rows that were found, and an empty row that says why for each that was not."""
    n_rows = max(found.seconds, default=-1) + 1
    if "closed" in found.meta:
        n_rows = max(n_rows, int(json.loads(found.meta["closed"])["rows"]))
    empty = SummaryLayout(meta.channels).summarise((), {})
    lost = []
    last_ns = 0
    connection = schema.initialise(schema.partial_of(path), meta, schema.GROWING)
    try:
        with sqlite_errors(path):
            connection.execute("BEGIN")
            for second in range(n_rows):
                row = found.seconds.get(second)
                if row is None:
                    gap = Gap("all", second * NS_PER_S, (second + 1) * NS_PER_S, DAMAGED)
                    lost.append(gap)
                    row = _empty_row(second, empty, gap)
                else:
                    times = [s.time_ns[-1] for s in decode(row[2], second * NS_PER_S) if s.time_ns.size]
                    last_ns = max([last_ns, *(int(time) for time in times)])
                connection.execute("INSERT INTO seconds VALUES (?, ?, ?, ?, ?)", (second, *row))
            lateness = json.loads(found.meta.get("lateness", b"null"))
            # A lateness that is lost cannot be guessed; a minute covers every stall that is ridden out.
            schema.write_meta(connection, "lateness", lateness or BLOCK_NS)
            closed = {"how": "salvaged", "rows": n_rows, "duration_ns": last_ns}
            schema.write_meta(connection, "closed", closed)
            connection.execute("COMMIT")
    finally:
        connection.close()
    return merge_gaps(lost)


def _empty_row(second: int, summary: bytes, gap: Gap) -> tuple[int, bytes, bytes, bytes]:
    data = encode((), second * NS_PER_S)
    notes = json.dumps({"gaps": [[gap.channel, gap.from_ns, gap.to_ns, gap.why]]}).encode()
    return schema.crc_of(second, summary, data, notes), summary, data, notes


def _refill_blocks(path: Path, meta: RecordingMeta, found: Carved) -> tuple[Gap, ...]:
    """A file of blocks with those that were found, and a gap for each that was not."""
    last_ns = 0
    have: dict[int, set[int]] = {}
    with BlockWriter(path, meta) as writer:
        for identifier in sorted(key for key in found.keyed if key >= _FIRST_BLOCK_ID):
            minute = minute_of(identifier)
            for series in decode(found.keyed[identifier][1], minute * BLOCK_NS):
                writer.add(minute, series)
                have.setdefault(series.channel, set()).add(minute)
                last_ns = max(last_ns, int(series.time_ns[-1]))
        lost = merge_gaps(list(_lost_blocks(meta, found, have)))
        known = [Gap(*gap) for gap in json.loads(found.meta.get("gaps", b"[]"))]
        health = json.loads(found.meta.get("health", b"[]"))
        writer.finish("salvaged", last_ns, merge_gaps([*known, *lost]), health)
    return lost


def _lost_blocks(meta: RecordingMeta, found: Carved, have: dict[int, set[int]]) -> Iterable[Gap]:
    for channel, minutes in _expected(meta, found, have).items():
        for minute in sorted(minutes - have.get(channel, set())):
            yield Gap(meta.channels[channel].name, minute * BLOCK_NS, (minute + 1) * BLOCK_NS, DAMAGED)


def _expected(meta: RecordingMeta, found: Carved, have: dict[int, set[int]]) -> dict[int, set[int]]:
    """The minutes that each channel had: by the list of blocks, else by its overview, else any up to the end."""
    if INDEX in found.keyed:
        index: list[Series] = decode(found.keyed[INDEX][1], 0)
        return {item.channel: set((item.time_ns // BLOCK_NS).tolist()) for item in index}
    minutes = set().union(*have.values())
    if "closed" in found.meta:
        minutes |= set(range(int(json.loads(found.meta["closed"])["duration_ns"]) // BLOCK_NS + 1))
    expected = dict.fromkeys(range(len(meta.channels)), minutes)
    for channel in expected:
        if channel in found.keyed:
            overview: list[Series] = decode(found.keyed[channel][1], 0)
            expected[channel] = set((overview[0].time_ns // BLOCK_NS).tolist())
    return expected
