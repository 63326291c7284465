"""Recordings for the store's tests: small, every number known."""

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np

from logger import settings
from logger.event import NS_PER_S, Gap
from logger.store.blocks import Series
from logger.store.compaction import compact
from logger.store.description import RecordingMeta, stored_channel
from logger.store.recording_reader import RecordingReader
from logger.store.recording_writer import RecordingWriter, Second

BATTERY, PRESSURE, SUPPLY, ACCELERATION, TACH = range(5)
CHANNELS = (
    stored_channel("battery_voltage", counts=True),
    stored_channel("fuel_pressure", counts=True),
    stored_channel("sensor_supply_voltage", counts=True),
    stored_channel("acceleration", counts=True),
    stored_channel("tach_pulses"),
)


def meta(**more: object) -> RecordingMeta:
    return RecordingMeta("0f", CHANNELS, power_up=7, settings=settings.default().to_dict(), **more)  # type: ignore[arg-type]


def second(index: int, **more: object) -> Second:
    """Battery 100 Hz counting up from 100 * index, pressure and supply steady, ten accelerations, 150 pulses/s."""
    start = index * NS_PER_S
    grid = start + np.arange(100, dtype=np.int64) * 10_000_000
    series = (
        Series(BATTERY, grid, (np.arange(100) + 100 * index).astype(np.int16)),
        Series(PRESSURE, grid + 2_500_000, np.full(100, 12_000, np.int16)),
        Series(SUPPLY, grid + 5_000_000, np.full(100, 20_000, np.int16)),
        Series(ACCELERATION, grid[::10], np.tile(np.array([0, 2, 256], np.int16), (10, 1))),
        Series(TACH, start + np.arange(150, dtype=np.int64) * 6_666_000, None),
    )
    return Second(index, series, **more)  # type: ignore[arg-type]


def write(path: Path, n_seconds: int, *, close: bool = True, uuid: str = "0f") -> RecordingWriter:
    """A recording of so many seconds; with `close` False the caller closes."""
    writer = RecordingWriter(path, replace(meta(), uuid=uuid))
    for index in range(n_seconds):
        gaps = (Gap("fuel_pressure", NS_PER_S, 2 * NS_PER_S, "wire off"),) if index == 2 else ()
        writer.append(second(index, gaps=gaps))
    if close:
        writer.close()
    return writer


def everything(path: Path) -> dict[str, Series]:
    with RecordingReader(path) as reader:
        return reader.raws(reader.channels)


def same(one: Series, other: Series) -> bool:
    """Times and values alike, bit by bit."""
    if one.raw is None or other.raw is None:
        return one.raw is other.raw and np.array_equal(one.time_ns, other.time_ns)
    bits = (one.raw.tobytes(), other.raw.tobytes())
    return np.array_equal(one.time_ns, other.time_ns) and one.raw.dtype == other.raw.dtype and bits[0] == bits[1]


def all_same(one: dict[str, Series], other: dict[str, Series]) -> bool:
    return one.keys() == other.keys() and all(same(one[name], other[name]) for name in one)


def fill_shelf(folder: Path, n_seconds: int) -> None:
    """One recording in three states: cut.sqlite with its log, closed.sqlite, compacted.sqlite."""
    path = folder / "work.sqlite"
    writer = write(path, n_seconds, close=False)
    for suffix in ("", "-wal"):
        shutil.copy(f"{path}{suffix}", f"{folder}/cut.sqlite{suffix}")
    writer.close()
    shutil.copy(path, folder / "closed.sqlite")
    compact(path)
    path.rename(folder / "compacted.sqlite")


def take(shelf: Path, state: str, path: Path) -> dict[str, Series]:
    """Put a fresh copy at `path`; returns what it holds."""
    for old in path.parent.glob(f"{path.name}*"):
        old.unlink()
    for suffix in ("", "-wal"):
        source = Path(f"{shelf / state}.sqlite{suffix}")
        if source.exists():
            shutil.copy(source, f"{path}{suffix}")
    return everything(shelf / "compacted.sqlite")


def flip(path: Path, *bits: int) -> None:
    data = bytearray(path.read_bytes())
    for bit in bits:
        data[bit // 8 % len(data)] ^= 1 << bit % 8
    path.write_bytes(data)


def is_part(part: Series, whole: Series) -> bool:
    place = np.searchsorted(whole.time_ns, part.time_ns)
    if (place >= whole.time_ns.size).any() or not np.array_equal(whole.time_ns[place], part.time_ns):
        return False
    return part.raw is None or np.array_equal(part.raw, whole.raw[place])  # type: ignore[index]
