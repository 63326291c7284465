"""Days of any length for the benchmarks, recorded by the real recorder: a few drives of the demo's car, over and over.

Four drives of about 90 s are driven in the virtual car (a chafed coil feed in every second one) and recorded through
the emulated chips with the default wiring, accelerometer samples and all. A day strings them together: as one file
for each run, or as one file that goes on all day.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from uuid import UUID

import numpy as np

from logger.event import NS_PER_S
from logger.store.blocks import Series
from logger.store.compaction import BlockWriter, minutes_of
from logger.store.description import RecordingMeta
from logger.store.recording_reader import RecordingReader
from logger.store.schema import partial_of, put_in_place
from logger.store.sources import cut
from logger.virtualcar.car import Conditions
from logger.virtualcar.demo import record_drive
from logger.virtualcar.drive import DemoEvent
from logger.virtualcar.faults import Fault, Trigger
from logger.virtualcar.plan import Plan
from logger.virtualcar.scenario import DEMO_CAR, course, drive

N_DRIVES = 4
BEGAN = datetime(2026, 6, 13, 7, 0, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Run:
    """One recorded drive, whole seconds of it: what each channel gave, as stored."""

    meta: RecordingMeta
    seconds: int
    series: tuple[Series, ...]


@cache
def record_runs(n: int = N_DRIVES) -> tuple[Run, ...]:
    """Drive and record the runs that days are made of; takes some four seconds for each, once in a process."""
    return tuple(_record(number) for number in range(n))


def _record(number: int) -> Run:
    trigger = Trigger(shock_g=3.8, shock_chance=0.6 if number % 2 else 0.0)
    fault = Fault("chafe_feed", trigger, Random(number), median_s=0.22, spread=0.7, chatter=0.45)
    plan = Plan(prime_s=1.5, warm_s=5.0, blips=1, course=course(Random(number + 5), 70.0), cool_s=3.0)
    conditions = Conditions(coolant_degc=65.0 + 5.0 * number, bay_degc=40.0, rail_kpa=160.0)
    driven, _ = drive(DEMO_CAR, plan, conditions, [fault], 97 + number, "r01", 0.0)
    event = DemoEvent("A long day", DEMO_CAR.engine.described(), (driven,), started_utc=BEGAN)
    with TemporaryDirectory() as name:
        record_drive(event, driven, Path(name), lambda second_s: None, seed=number)
        (path,) = (Path(name) / "recordings").glob("*.sqlite")
        with RecordingReader(path) as reader:
            seconds = reader.duration_ns // NS_PER_S
            raws = reader.raws(reader.channels, 0, seconds * NS_PER_S)
            return Run(reader.meta, seconds, tuple(raws.values()))


def write_runs(data_dir: Path, runs: Sequence[Run], hours: float) -> int:
    """A day of one file for each run, five minutes apart from begin to begin; returns how many."""
    number = seconds = 0
    while seconds < hours * 3600.0:
        write_run(data_dir, runs, number)
        seconds += runs[number % len(runs)].seconds
        number += 1
    return number


def write_run(data_dir: Path, runs: Sequence[Run], number: int) -> None:
    """The run of that number of the day, as a closed file."""
    run = runs[number % len(runs)]
    _write(data_dir, run, number, run.seconds, run.series)


def write_whole(data_dir: Path, runs: Sequence[Run], hours: float) -> None:
    """A day in one file: the runs one right after the other, for so many hours."""
    starts, total = [], 0
    while total < hours * 3600.0:
        starts.append(total * NS_PER_S)
        total += runs[(len(starts) - 1) % len(runs)].seconds
    seconds = round(hours * 3600.0)
    _write(data_dir, runs[0], 0, seconds, [_end_to_end(runs, starts, k) for k in range(len(runs[0].series))])


def _end_to_end(runs: Sequence[Run], starts: Sequence[int], k: int) -> Series:
    """One channel of the runs, each moved to where the one before ended."""
    parts = [(runs[n % len(runs)].series[k], start) for n, start in enumerate(starts)]
    raw = None if parts[0][0].raw is None else np.concatenate([series.raw for series, _ in parts])
    return Series(k, np.concatenate([series.time_ns + start for series, start in parts]), raw)


def _write(data_dir: Path, run: Run, number: int, seconds: int, series: Sequence[Series]) -> None:
    started = BEGAN + timedelta(minutes=5 * number)
    path = data_dir / "recordings" / f"{started:%Y%m%dT%H%M%SZ}.sqlite"
    path.parent.mkdir(parents=True, exist_ok=True)
    meta = replace(
        run.meta,
        uuid=str(UUID(int=number + 1)),
        power_up=number + 1,
        started_utc=started.isoformat(),
        clock_is_set=True,
    )
    kept = [cut(item, 0, seconds * NS_PER_S) for item in series]
    with BlockWriter(path, meta) as writer:
        for item in kept:
            for minute, part in minutes_of(item):
                writer.add(minute, part)
        last_ns = max(int(item.time_ns[-1]) for item in kept if item.time_ns.size)
        writer.finish("closed", last_ns, (), ())
    put_in_place(partial_of(path), path)
