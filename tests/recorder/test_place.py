"""Names and numbers of recordings: counted through everything, never twice the same."""

import os
import resource
import signal
from datetime import UTC, datetime
from pathlib import Path

import pytest

from logger.recorder.place import COUNTER, prepare, replace_file
from logger.store.description import RecordingMeta
from logger.store.recording_writer import RecordingWriter

NOON = datetime(2026, 5, 9, 12, 0, 5, tzinfo=UTC)


def test_a_clock_that_is_set_names_the_file_and_one_that_is_not_leaves_it_to_the_counter(tmp_path: Path) -> None:
    assert prepare(tmp_path, NOON, clock_is_set=True).path.name == "20260509T120005Z.sqlite"
    assert prepare(tmp_path, NOON, clock_is_set=False).path.name == "boot-000002.sqlite"


def test_a_name_that_is_taken_gets_a_number(tmp_path: Path) -> None:
    first = prepare(tmp_path, NOON, clock_is_set=True)
    first.path.touch()
    assert prepare(tmp_path, NOON, clock_is_set=True).path.name == "20260509T120005Z-2.sqlite"


@pytest.mark.parametrize("torn", [None, "", '{"power_up": ', "[]"])
def test_a_counter_that_is_lost_goes_on_from_the_recordings(tmp_path: Path, torn: str | None) -> None:
    place = prepare(tmp_path, NOON, clock_is_set=True)
    RecordingWriter(place.path, RecordingMeta("0f", (), power_up=41)).close()
    if torn is None:
        (tmp_path / COUNTER).unlink()
    else:
        (tmp_path / COUNTER).write_text(torn)
    assert prepare(tmp_path, NOON, clock_is_set=True).power_up == 42


def test_a_file_that_was_never_finished_is_cleared_away_but_no_compaction(tmp_path: Path) -> None:
    recordings = prepare(tmp_path, NOON, clock_is_set=True).path.parent
    for name in ("unborn.sqlite.partial", "whole.sqlite", "whole.sqlite.partial"):
        (recordings / name).touch()
    prepare(tmp_path, NOON, clock_is_set=True)
    assert sorted(os.listdir(recordings)) == ["whole.sqlite", "whole.sqlite.partial"]


def test_a_replaced_file_is_the_old_one_or_the_new_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.json"
    replace_file(path, b"old")

    def cut(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", cut)
        with pytest.raises(KeyboardInterrupt):
            replace_file(path, b"new")
    assert path.read_bytes() == b"old"
    replace_file(path, b"new", durable=True)
    assert path.read_bytes() == b"new"


def test_a_disk_that_takes_only_part_of_a_small_file_leaves_the_old_one(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    replace_file(path, b"old" * 100)
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    before = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (64, limits[1]))
    try:
        with pytest.raises(OSError, match="too large"):
            replace_file(path, b"new" * 100)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        signal.signal(signal.SIGXFSZ, before)
    assert path.read_bytes() == b"old" * 100
