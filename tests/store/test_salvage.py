"""Power cuts and bad cards: what was stored comes back, what is damaged is told, nothing is ever made up."""

import errno
import os
import shutil
import struct
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import StoreError
from logger.event import NS_PER_S
from logger.store import carve, schema
from logger.store.carve import lost_commits
from logger.store.compaction import compact
from logger.store.recording_reader import RecordingReader
from logger.store.salvage import salvage
from logger.store.schema import RecordingBusyError, RecordingNewerError
from tests.store.recordings import all_same, everything, fill_shelf, flip, is_part, same, take, write

N_SECONDS = 70


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "a.sqlite"


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One recording in its three states: power just cut, closed, compacted."""
    folder = tmp_path_factory.mktemp("shelf")
    fill_shelf(folder, N_SECONDS)
    return folder


def test_after_a_power_cut_every_committed_second_is_there(shelf: Path, path: Path) -> None:
    stored = take(shelf, "cut", path)
    result = salvage(path)
    assert str(result) == "a.sqlite: its power was cut; all that had been stored is there"
    assert all_same(everything(path), stored)
    with RecordingReader(path) as reader:
        assert reader.how_closed == "recovered"
    compact(path)
    with RecordingReader(path) as reader:
        assert reader.how_closed == "recovered"


def test_a_log_cut_in_the_middle_of_a_commit_loses_that_commit_only(shelf: Path, path: Path) -> None:
    stored = take(shelf, "cut", path)
    wal = Path(f"{path}-wal")
    wal.write_bytes(wal.read_bytes()[:-300])
    assert salvage(path).state == "recovered"
    battery = everything(path)["battery_voltage"]
    assert battery.time_ns.size == 100 * (N_SECONDS - 1)
    assert is_part(battery, stored["battery_voltage"])


def test_a_log_broken_in_the_middle_is_not_taken_for_a_power_cut(shelf: Path, path: Path) -> None:
    stored = take(shelf, "cut", path)
    wal = Path(f"{path}-wal")
    flip(wal, 8 * (wal.stat().st_size // 2))
    assert lost_commits(wal.read_bytes()) > N_SECONDS // 3
    result = salvage(path)
    assert result.state == "salvaged"
    assert "write-ahead log is broken" in str(result)
    assert everything(path)["battery_voltage"].time_ns.size >= 100 * (N_SECONDS - 2)
    assert is_part(everything(path)["battery_voltage"], stored["battery_voltage"])


def test_a_sound_log_has_lost_nothing(shelf: Path) -> None:
    assert lost_commits((shelf / "cut.sqlite-wal").read_bytes()) == 0
    assert lost_commits(b"") == 0


@pytest.mark.parametrize("state", ["closed", "compacted"])
def test_a_whole_file_is_left_untouched(shelf: Path, path: Path, state: str) -> None:
    take(shelf, state, path)
    before = path.read_bytes()
    assert salvage(path).state == "whole"
    assert path.read_bytes() == before


def test_a_damaged_second_becomes_a_gap_and_the_original_is_kept(shelf: Path, path: Path) -> None:
    stored = take(shelf, "closed", path)
    connection = schema.connect(path, write=True)
    connection.execute("UPDATE seconds SET data = zeroblob(length(data)) WHERE second = 33")
    connection.close()
    damaged = path.read_bytes()
    result = salvage(path)
    assert [(gap.from_ns, gap.to_ns) for gap in result.lost] == [(33 * NS_PER_S, 34 * NS_PER_S)]
    assert "salvaged (damaged: second 33 fails its check sum; run stumblelog work); 1 s lost" in str(result)
    assert result.kept is not None
    assert result.kept.read_bytes() == damaged
    with RecordingReader(path) as reader:
        assert result.lost[0] in reader.gaps()
        assert reader.how_closed == "salvaged"
    got, expected = everything(path)["tach_pulses"].time_ns, stored["tach_pulses"].time_ns
    assert got.tolist() == expected[expected // NS_PER_S != 33].tolist()
    assert salvage(path).state == "whole"


def test_a_damaged_block_costs_its_channel_that_minute(shelf: Path, path: Path) -> None:
    stored = take(shelf, "compacted", path)
    connection = schema.connect(path, write=True)
    connection.execute("DELETE FROM blocks WHERE id & 1023 = 0 AND id IN (SELECT min(id) FROM blocks)")
    connection.close()
    result = salvage(path)
    assert [(gap.channel, gap.from_ns, gap.to_ns) for gap in result.lost] == [("battery_voltage", 0, 60 * NS_PER_S)]
    got = everything(path)
    assert got["battery_voltage"].time_ns.tolist() == stored["battery_voltage"].time_ns[6000:].tolist()
    assert all_same({**got, "battery_voltage": stored["battery_voltage"]}, stored)


@pytest.mark.parametrize("state", ["closed", "compacted"])
def test_rows_are_found_when_the_first_4_kib_of_the_card_are_gone(shelf: Path, path: Path, state: str) -> None:
    stored = take(shelf, state, path)
    data = bytearray(path.read_bytes())
    data[:4096] = bytes(4096)
    path.write_bytes(data)
    result = salvage(path)
    # The description comes back from its second place; what lay in the lost block itself is told.
    got = everything(path)
    assert all(is_part(got[name], stored[name]) for name in stored)
    # Compacted, this recording is hardly larger than that block.
    assert state == "compacted" or got["tach_pulses"].time_ns.size >= 150 * (N_SECONDS - 3)
    assert result.lost or all_same(got, stored)


def test_a_salvage_that_was_cut_short_is_done_again_from_the_original(
    shelf: Path, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stored = take(shelf, "cut", path)
    wal = Path(f"{path}-wal")
    flip(wal, 8 * (wal.stat().st_size // 2))

    class PowerCutError(BaseException):
        pass

    def cut(*_: object) -> None:
        raise PowerCutError

    with monkeypatch.context() as patch:
        patch.setattr(schema, "put_in_place", cut)
        with pytest.raises(PowerCutError):
            salvage(path)
    assert salvage(path).state == "salvaged"
    assert everything(path)["battery_voltage"].time_ns.size >= 100 * (N_SECONDS - 2)
    assert is_part(everything(path)["battery_voltage"], stored["battery_voltage"])


@pytest.mark.parametrize("has_links", [True, False])
def test_the_kept_original_is_on_the_card_before_anything_of_it_goes(
    shelf: Path, path: Path, monkeypatch: pytest.MonkeyPatch, has_links: bool
) -> None:
    take(shelf, "cut", path)
    wal = Path(f"{path}-wal")
    flip(wal, 8 * (wal.stat().st_size // 2))
    synced: list[str] = []
    really = os.fsync

    def fsync(descriptor: int) -> None:
        synced.append(Path(os.readlink(f"/proc/self/fd/{descriptor}")).name)
        really(descriptor)

    def refuse(*_: object) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "fsync", fsync)
    if not has_links:
        monkeypatch.setattr(os, "link", refuse)
    assert salvage(path).state == "salvaged"
    first = ["a.sqlite.damaged-wal", *([] if has_links else ["a.sqlite.damaged"]), path.parent.name]
    assert synced[: len(first)] == first


def test_a_recording_that_is_being_written_is_left_alone(path: Path) -> None:
    writer = write(path, 2, close=False)
    with pytest.raises(RecordingBusyError, match="try again later"):
        salvage(path)
    writer.close()
    assert salvage(path).state == "whole"


def test_what_was_never_ours_is_refused_and_left(path: Path) -> None:
    path.write_bytes(b"\x0d" * 5000)
    with pytest.raises(StoreError, match="not an SQLite file"):
        salvage(path)
    assert path.read_bytes() == b"\x0d" * 5000
    assert list(path.parent.iterdir()) == [path]


def test_a_newer_recording_is_not_salvaged(shelf: Path, path: Path) -> None:
    take(shelf, "closed", path)
    connection = schema.connect(path, write=True)
    connection.execute("PRAGMA user_version = 9")
    connection.close()
    with pytest.raises(RecordingNewerError):
        salvage(path)


@given(
    st.sampled_from(["cut", "closed", "compacted"]),
    st.booleans(),
    st.lists(st.one_of(st.integers(0, 8 * 4096), st.integers(0, 8 * 200_000)), min_size=1, max_size=3),
)
@settings(max_examples=40, deadline=None)
def test_flipped_bits_are_told_or_salvaged_and_never_change_what_is_read(
    shelf: Path, tmp_path_factory: pytest.TempPathFactory, state: str, in_wal: bool, bits: list[int]
) -> None:
    path = tmp_path_factory.mktemp("flip") / "a.sqlite"
    stored = take(shelf, state, path)
    flip(Path(f"{path}-wal") if in_wal and state == "cut" else path, *bits)
    try:
        with RecordingReader(path) as reader:
            got, is_closed = reader.raws(reader.channels), reader.is_closed
    except StoreError:
        pass
    else:
        # A recording without its end can be shorter than it was: only salvage looks into what SQLite passes over.
        assert all_same(got, stored) or not is_closed
        assert all(is_part(got[name], stored[name]) for name in got)
    try:
        result = salvage(path)
    except StoreError:
        return
    got = everything(path)
    assert all(is_part(got[name], stored[name]) for name in stored)
    n_missing = {name: stored[name].time_ns.size - got[name].time_ns.size for name in stored}
    torn = 1 if state == "cut" else 0
    assert max(n_missing.values()) <= 150 * torn or result.lost
    shutil.rmtree(path.parent)


def test_a_log_that_has_just_begun_a_new_round_has_lost_nothing() -> None:
    # After a checkpoint the header is written first; the frames behind it are still those of the round before.
    header = bytearray(bytes.fromhex("377f0682 002de218 00000200 00000007 11111111 22222222"))
    header += struct.pack(">II", *carve._wal_sum(bytes(header), (0, 0), "little"))
    old = b"\0\0\0\2" + b"\0\0\0\x09" + b"\x55" * 16 + bytes(512)
    assert lost_commits(bytes(header) + 5 * old) == 0


def test_a_table_whose_definition_is_damaged_is_told(shelf: Path, path: Path) -> None:
    take(shelf, "closed", path)
    data = path.read_bytes()
    assert data.count(b"seconds (second INTEGER PRIMARY KEY") == 1
    path.write_bytes(data.replace(b"seconds (second INTEGER PRIMARY KEY", b"seconds (second INTEGES PRIMARY KEY"))
    with pytest.raises(StoreError, match="damaged"), RecordingReader(path) as reader:
        reader.gaps()
    assert salvage(path).state == "salvaged"


@pytest.mark.parametrize("state", ["closed", "compacted"])
def test_sectors_that_the_card_no_longer_reads_cost_what_was_in_them(
    shelf: Path, path: Path, monkeypatch: pytest.MonkeyPatch, state: str
) -> None:
    stored = take(shelf, state, path)
    size = path.stat().st_size
    start = size // 3 // 512 * 512
    bad = range(start, start + 512)
    with path.open("r+b") as file:  # SQLite reads for itself, and is handed nonsense
        file.seek(bad.start)
        file.write(b"\xa5" * len(bad))
    really = os.pread

    def pread(descriptor: int, n: int, at: int) -> bytes:
        if at < bad.stop and at + n > bad.start and os.fstat(descriptor).st_size == size:
            raise OSError(errno.EIO, "Input/output error")
        return really(descriptor, n, at)

    monkeypatch.setattr(os, "pread", pread)
    result = salvage(path)
    assert result.state == "salvaged"
    got = everything(path)
    assert result.lost or all_same(got, stored)
    assert all(is_part(got[name], stored[name]) for name in got)
    named = {gap.channel for gap in result.lost}
    assert named == {"all"} or all(same(got[name], stored[name]) for name in got.keys() - named)
    assert sum(item.time_ns.size for item in got.values()) > 0


def test_a_file_that_the_card_no_longer_finds_is_named(
    shelf: Path, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    take(shelf, "closed", path)

    def refuse(*_: object) -> None:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(Path, "stat", refuse)
    with pytest.raises(StoreError, match=r"a\.sqlite: cannot be read: Input/output error; run stumblelog work"):
        RecordingReader(path)
