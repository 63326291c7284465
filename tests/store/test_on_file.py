"""Recordings that stay on their files give what the whole ones give, and say which of them is damaged."""

import sqlite3
import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from logger.analysis import analyse, parts
from logger.errors import UnreadableError
from logger.event import NS_PER_S, Recording
from logger.store.compaction import compact
from logger.store.store import Store
from logger.work import analyse_event
from tests.bench.analysis_speed import store_long_event
from tests.store import recordings
from tests.store.events import assert_same_event

N_SECONDS = 130


@pytest.fixture(params=["growing", "compacted"])
def store(tmp_path: Path, request: pytest.FixtureRequest):
    path = tmp_path / "recordings" / "a.sqlite"
    path.parent.mkdir()
    recordings.write(path, N_SECONDS)
    if request.param == "compacted":
        compact(path)
    with Store(tmp_path) as opened:
        yield opened


def same(one: Recording, other: Recording) -> None:
    assert set(one.traces) == set(other.traces)
    for name, trace in other.traces.items():
        np.testing.assert_array_equal(one.traces[name].time_ns, trace.time_ns, err_msg=name)
        np.testing.assert_array_equal(one.traces[name].value, trace.value, err_msg=name)
    for name, time_ns in other.pulses.items():
        np.testing.assert_array_equal(one.pulses[name], time_ns, err_msg=name)
    assert (one.name, one.duration_ns, one.offset_ns, one.from_ns, one.goes_on, one.gaps) == (
        other.name, other.duration_ns, other.offset_ns, other.from_ns, other.goes_on, other.gaps,
    )  # fmt: skip


def test_an_event_on_file_is_the_event(store: Store) -> None:
    event_id = store.find("latest")
    assert_same_event(store.event_on_file(event_id), store.event(event_id))
    (on_file,) = store.event_on_file(event_id).recordings
    assert "lambda" not in on_file.traces
    assert len(on_file.traces) == 4
    with pytest.raises(KeyError):
        on_file.traces["lambda"]


@pytest.mark.parametrize(("from_s", "to_s"), [(0, None), (0, 50), (50, 61), (61, None), (59, 121)])
def test_a_part_read_from_the_file_is_the_part_of_the_whole(store: Store, from_s: int, to_s: int | None) -> None:
    event_id = store.find("latest")
    (on_file,), (whole,) = store.event_on_file(event_id).recordings, store.event(event_id).recordings
    bounds = from_s * NS_PER_S, None if to_s is None else to_s * NS_PER_S
    same(on_file.part(*bounds), whole.part(*bounds))
    np.testing.assert_array_equal(
        on_file.pulses_between("tach_pulses", *bounds), whole.pulses_between("tach_pulses", *bounds)
    )
    assert on_file.pulses_between("spark_pulses", *bounds).size == 0


def test_a_file_that_turns_out_damaged_is_left_out_of_the_findings(tmp_path: Path) -> None:
    path = tmp_path / "recordings" / "a.sqlite"
    path.parent.mkdir()
    recordings.write(path, N_SECONDS)
    compact(path)
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE blocks SET data = zeroblob(100) WHERE id = (SELECT max(id) FROM blocks)")
    connection.close()
    with Store(tmp_path) as store:
        event_id = store.find("latest")
        (on_file,) = store.event_on_file(event_id).recordings
        with pytest.raises(UnreadableError, match="damaged") as caught:
            on_file.part(0, None)
        assert caught.value.recording == "r01"
        found = analyse_event(store, event_id)
        assert any(sentence.startswith("r01 was left out") for sentence in found.not_judged)
        assert store.event_on_file(event_id).recordings == ()


def test_a_longer_day_takes_hardly_more_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Twice as long; held at once, its arrays would take twice as much."""
    monkeypatch.setattr(parts, "PART_NS", 120 * NS_PER_S)
    monkeypatch.setattr(parts, "SEARCHED_NS", 60 * NS_PER_S)
    monkeypatch.setattr(parts, "LONGEST_NS", 180 * NS_PER_S)
    monkeypatch.setattr(parts, "LEARNED_FROM_NS", 240 * NS_PER_S)

    def peak(hours: float) -> int:
        folder = tmp_path / f"{hours}"
        store_long_event(folder, hours)
        with Store(folder) as store:
            event = store.event_on_file(store.find("latest"))
            tracemalloc.start()
            analyse(event)
            (_, most), _ = tracemalloc.get_traced_memory(), tracemalloc.stop()
        return most

    short, long = peak(0.5), peak(1.0)
    assert long < 1.35 * short
