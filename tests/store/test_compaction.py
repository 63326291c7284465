"""Compaction changes the shape of a file and nothing that can be read from it, whenever it is cut short."""

import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import StoreError
from logger.event import NS_PER_S, Gap, Recording, Trace
from logger.store import compaction, schema
from logger.store.blocks import Series
from logger.store.compaction import compact, meta_of, write_recording
from logger.store.recording_reader import RecordingReader
from logger.store.recording_writer import RecordingWriter, Second
from logger.store.schema import RecordingBusyError
from tests.store.recordings import TACH, all_same, everything, meta, same, write


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "a.sqlite"


class PowerCutError(BaseException):
    """Nothing below may catch it."""


def test_the_compacted_file_reads_the_same_and_is_smaller(path: Path) -> None:
    write(path, 130)
    before, size = everything(path), path.stat().st_size
    compact(path)
    assert path.stat().st_size < size
    assert os.listdir(path.parent) == [path.name]
    assert all_same(everything(path), before)


def test_windows_overviews_and_all_that_was_noted_stay_as_they_were(path: Path) -> None:
    writer = write(path, 130, close=False)
    writer.append(Second(130, health={"seconds": 130}))
    writer.close()
    ask = (59 * NS_PER_S, 61 * NS_PER_S + 1)
    with RecordingReader(path) as reader:
        before = (reader.gaps(), reader.health(), reader.duration_ns, reader.meta, reader.how_closed)
        window = reader.raws(reader.channels, *ask)
        overviews = [reader.overview(name, 0, 130 * NS_PER_S, 13) for name in reader.channels]
    compact(path)
    with RecordingReader(path) as reader:
        assert (reader.gaps(), reader.health(), reader.duration_ns, reader.meta, reader.how_closed) == before
        assert all_same(reader.raws(reader.channels, *ask), window)
        for name, expected in zip(reader.channels, overviews, strict=True):
            got = reader.overview(name, 0, 130 * NS_PER_S, 13)
            assert all(np.allclose(a, b, rtol=1e-4, equal_nan=True) for a, b in zip(got, expected, strict=True))


def test_compacting_twice_is_harmless(path: Path) -> None:
    write(path, 3)
    compact(path)
    once = path.stat().st_ino
    compact(path)
    assert path.stat().st_ino == once, "not written again"


def test_late_samples_go_into_the_minute_they_belong_to(path: Path) -> None:
    pulses = np.array([58 * NS_PER_S, 61 * NS_PER_S], dtype=np.int64)
    with RecordingWriter(path, meta()) as writer:
        writer.append(Second(61, (Series(TACH, pulses),)))
    compact(path)
    with RecordingReader(path) as reader:
        assert reader.pulses("tach_pulses", 0, 60 * NS_PER_S).tolist() == [58 * NS_PER_S]
        assert reader.pulses("tach_pulses").tolist() == pulses.tolist()


def test_a_recording_that_is_still_written_is_left_alone(path: Path) -> None:
    writer = write(path, 3, close=False)
    with pytest.raises(StoreError, match="still recording"):
        compact(path)
    writer.append(Second(3))
    writer.close()


def test_a_recording_whose_log_a_reader_holds_is_compacted_later(path: Path) -> None:
    writer = write(path, 3, close=False)
    with RecordingReader(path) as reader:
        reader.n_seconds  # noqa: B018
        writer.close()
        with pytest.raises(RecordingBusyError, match="try again later"):
            compact(path)
        before = reader.raws(reader.channels)
    compact(path)
    assert all_same(everything(path), before)


@pytest.mark.parametrize("step", ["create_closed", "write_meta", "partial_of", "put_in_place", "sync_directory"])
def test_a_power_cut_at_any_step_leaves_a_whole_file(path: Path, monkeypatch: pytest.MonkeyPatch, step: str) -> None:
    write(path, 65)
    before = everything(path)

    def cut(*_: object) -> None:
        raise PowerCutError

    with monkeypatch.context() as patch:
        patch.setattr(schema, step, cut)
        with pytest.raises(PowerCutError):
            compact(path)
    assert all_same(everything(path), before)
    compact(path)
    assert all_same(everything(path), before)
    assert os.listdir(path.parent) == [path.name]


def test_what_a_cut_left_half_done_is_made_anew(path: Path) -> None:
    write(path, 3)
    before = everything(path)
    schema.partial_of(path).write_bytes(b"half a file")
    compact(path)
    assert all_same(everything(path), before)


def test_a_copy_that_came_out_different_is_thrown_away(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write(path, 3)
    before = everything(path)
    honest = compaction.encode

    def forge(series: list[Series], *rest: int) -> bytes:
        later = [Series(item.channel, item.time_ns + 1000, item.raw) for item in series]
        return honest(later, *rest)

    monkeypatch.setattr(compaction, "encode", forge)
    with pytest.raises(StoreError, match="came out different; the original stays"):
        compact(path)
    assert all_same(everything(path), before)
    assert os.listdir(path.parent) == [path.name]


def test_a_damaged_recording_is_not_compacted(path: Path) -> None:
    write(path, 3)
    connection = schema.connect(path, write=True)
    connection.execute("UPDATE seconds SET crc = crc + 1 WHERE second = 1")
    connection.close()
    with pytest.raises(StoreError, match="second 1 fails its check sum"):
        compact(path)
    assert os.listdir(path.parent) == [path.name]


@pytest.mark.parametrize(
    ("sql", "message"),
    [
        ("DELETE FROM blocks WHERE id & 1023 = 0", "battery_voltage has 0 samples where 200 were stored"),
        ("UPDATE blocks SET data = zeroblob(9) WHERE id & 1023 = 4", "minute 0 of tach_pulses fails its check sum"),
        ("UPDATE blocks SET id = id + 1024 WHERE id & 1023 = 4", "minute 1 of tach_pulses fails its check sum"),
        ("DELETE FROM overviews WHERE channel = -1", "the list of its blocks is missing"),
        ("DELETE FROM meta WHERE key = 'gaps'", "its entry 'gaps' is missing"),
    ],
)
def test_a_block_that_is_missing_or_changed_is_noticed(path: Path, sql: str, message: str) -> None:
    write(path, 2)
    compact(path)
    connection = schema.connect(path, write=True)
    connection.execute(sql)
    connection.close()
    with pytest.raises(StoreError, match=f"damaged: {message}"), RecordingReader(path) as reader:
        reader.recording()


def imported(path: Path, recording: Recording) -> Recording:
    write_recording(path, meta_of(recording, "0f"), recording)
    with RecordingReader(path) as reader:
        return reader.recording(recording.name)


def test_an_imported_recording_comes_back_with_its_empty_channels_and_gaps(path: Path) -> None:
    nothing = np.empty(0, dtype=np.int64)
    recording = Recording(
        "a",
        5 * NS_PER_S,
        traces={"coolant_temperature": Trace(nothing, np.empty(0)), "acceleration": Trace(nothing, np.empty((0, 3)))},
        pulses={"tach_pulses": nothing, "spark_pulses": nothing},
        gaps=(Gap("all", 1, 2, "x"),),
    )
    back = imported(path, recording)
    assert back.duration_ns == 5 * NS_PER_S
    assert back.gaps == recording.gaps
    assert {name: trace.value.shape for name, trace in back.traces.items()} == {
        "coolant_temperature": (0,),
        "acceleration": (0, 3),
    }
    assert {name: pulses.size for name, pulses in back.pulses.items()} == {"tach_pulses": 0, "spark_pulses": 0}


times = st.lists(st.integers(-(10**18), 10**18), max_size=20).map(lambda t: np.array(sorted(t), dtype=np.int64))


@st.composite
def traces(draw: st.DrawFn) -> Trace:
    time_ns = draw(times)
    value = draw(st.lists(st.floats(allow_infinity=False), min_size=time_ns.size, max_size=time_ns.size))
    array = np.array(value, dtype=np.float64)
    return Trace(time_ns, np.where(np.isnan(array), np.nan, array))


@given(traces(), times)
@settings(max_examples=60, deadline=None)
def test_any_imported_values_and_times_come_back_bit_by_bit(
    tmp_path_factory: pytest.TempPathFactory, trace: Trace, pulses: np.ndarray
) -> None:
    path = tmp_path_factory.mktemp("import") / "a.sqlite"
    back = imported(path, Recording("a", 0, {"battery_voltage": trace}, {"tach_pulses": pulses}))
    got = back.traces["battery_voltage"]
    assert same(Series(0, got.time_ns, got.value), Series(0, trace.time_ns, trace.value))
    assert back.pulses["tach_pulses"].tolist() == pulses.tolist()


def test_an_import_that_fails_leaves_no_file(path: Path) -> None:
    recording = Recording("a", 0, {}, {"tach_pulses": np.array([1, 2], dtype=np.int64)})
    wrong = meta_of(Recording("a", 0, {}, {**recording.pulses, "spark_pulses": recording.pulses["tach_pulses"]}), "0f")
    with pytest.raises(KeyError):
        write_recording(path, wrong, recording)
    assert os.listdir(path.parent) == []


def test_a_state_holds_through_the_columns_of_an_overview(path: Path) -> None:
    key = Trace(np.array([10, 60], dtype=np.int64) * NS_PER_S, np.array([1.0, 0.0]))
    recording = Recording("a", 100 * NS_PER_S, {"key_sense": key}, {"tach_pulses": np.empty(0, np.int64)})
    write_recording(path, meta_of(recording, "0f"), recording)
    with RecordingReader(path) as reader:
        _, low, high = reader.overview("key_sense", 0, 100 * NS_PER_S, 10)
    assert np.isnan(low[0])
    assert low[1:].tolist() == [1.0] * 5 + [0.0] * 4
    assert high[1:].tolist() == [1.0] * 5 + [0.0] * 4
