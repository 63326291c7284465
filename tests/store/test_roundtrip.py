"""Import, export and import again: the same arrays to the last bit, whatever the numbers are."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.event import CAUSES, Engine, Event, Recording, Repair, Trace
from logger.store.capture import read_folder
from logger.store.capture_out import write_folder
from logger.store.exports.write import write
from logger.store.store import Store
from tests.store.events import assert_same_event, small_event, small_recording

DAY_NS = 86_400_000_000_000
VALUES = st.one_of(st.just(np.nan), st.floats(-1e6, 1e6), st.integers(-20_000, 20_000).map(lambda n: n / 1000))
TEXTS = st.text(st.characters(exclude_categories=("Cs",)), min_size=1, max_size=20)

REPAIRS = st.builds(Repair, TEXTS, st.integers(0, DAY_NS), st.just("r01"), st.sampled_from(CAUSES))


@st.composite
def times(draw: st.DrawFn) -> np.ndarray:
    """Sorted times of a recording, some to the microsecond and some to the nanosecond, repeats included."""
    unit = draw(st.sampled_from([1, 1000, 10_000_000]))
    return np.sort(np.array(draw(st.lists(st.integers(0, DAY_NS // unit), min_size=1, max_size=8)), np.int64)) * unit


@st.composite
def traces(draw: st.DrawFn, n_columns: int | None = None) -> Trace:
    time_ns = draw(times())
    n = time_ns.size * (n_columns or 1)
    value = np.array(draw(st.lists(VALUES, min_size=n, max_size=n)), np.float64)
    return Trace(time_ns, value if n_columns is None else value.reshape(-1, n_columns))


@st.composite
def events(draw: st.DrawFn) -> Event:
    recordings = []
    for number in range(draw(st.integers(1, 2))):
        names = draw(st.sets(st.sampled_from(["battery_voltage", "fuel_pressure", "coolant_temperature", "key_sense"])))
        held = {name: draw(traces()) for name in sorted(names)}
        if draw(st.booleans()):
            held["acceleration"] = draw(traces(3))
        pulses = {"tach_pulses": draw(times())} | ({"driver_marks": draw(times())} if draw(st.booleans()) else {})
        offset_ns = draw(st.none() | st.integers(0, DAY_NS))
        last = max(int(t[-1]) for t in [*pulses.values(), *(trace.time_ns for trace in held.values())])
        recordings.append(Recording(f"r{number + 1:02d}", last, held, pulses, offset_ns))
    moment = st.datetimes(datetime(2025, 1, 1), datetime(2040, 1, 1), timezones=st.just(UTC))
    return Event(
        name=draw(TEXTS),
        kind=draw(st.sampled_from(["competition", "bench", "road"])),
        started_utc=draw(st.none() | moment),
        engine=Engine(
            cylinders=draw(st.integers(1, 16)),
            strokes=draw(st.sampled_from([2, 4])),
            tach_pulses_per_revolution=draw(st.none() | st.floats(0.25, 120)),
            tach_source=draw(st.sampled_from([None, "coil_negative", "crank"])),
            idle_rpm=draw(st.none() | st.floats(100, 5000)),
        ),
        recordings=tuple(recordings),
        repairs=tuple(draw(st.lists(REPAIRS, max_size=3))),
    )


@given(events())
@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
def test_an_event_survives_export_import_and_export(event: Event) -> None:
    with TemporaryDirectory() as name, Store(Path(name) / "data") as store:
        write_folder(event, Path(name) / "one")
        assert_same_event(read_folder(Path(name) / "one"), event)
        event_id = store.import_folder(Path(name) / "one")
        assert_same_event(store.event(event_id), event)
        write(store, event_id, "csv", Path(name) / "two")
        assert_same_event(read_folder(Path(name) / "two"), event)
        one, two = ((Path(name) / folder / "capture.toml").read_bytes() for folder in ("one", "two"))
        assert one == two


def test_an_exported_event_can_be_imported_elsewhere(tmp_path: Path) -> None:
    write_folder(small_event(), tmp_path / "one")
    with Store(tmp_path / "car") as car, Store(tmp_path / "laptop") as laptop:
        write(car, car.import_folder(tmp_path / "one"), "csv", tmp_path / "two")
        assert_same_event(laptop.event(laptop.import_folder(tmp_path / "two")), small_event())


def test_an_event_without_any_clock_stays_without_one(tmp_path: Path) -> None:
    undated = replace(
        small_event(),
        started_utc=None,
        recordings=tuple(replace(recording, offset_ns=None) for recording in small_event().recordings),
    )
    write_folder(undated, tmp_path / "one")
    with Store(tmp_path / "data") as store:
        assert_same_event(store.event(store.import_folder(tmp_path / "one")), undated)


def test_a_repair_after_a_recording_that_is_gone_comes_after_the_one_before_it(tmp_path: Path) -> None:
    names = ("r01", "r02", "r03")
    parts = tuple(small_recording(name, 600.0 * n) for n, name in enumerate(names))
    repairs = tuple(Repair(f"after {name}", after_recording=name) for name in names)
    write_folder(replace(small_event(), recordings=parts, repairs=repairs), tmp_path / "one")
    with Store(tmp_path / "car") as car:
        event_id = car.import_folder(tmp_path / "one")
        for lost, left, places in (
            ("r02", ("r01", "r03"), ["r01", "r01", "r03"]),
            ("r01", ("r03",), [None, None, "r03"]),
        ):
            (file,) = [entry.file for entry in car.recordings(event_id) if entry.name == lost]
            (car.data_dir / file).unlink()
            write(car, event_id, "csv", tmp_path / f"without-{lost}")
            event = read_folder(tmp_path / f"without-{lost}")
            assert tuple(recording.name for recording in event.recordings) == left
            assert [repair.after_recording for repair in event.repairs] == places
    assert [repair.offset_ns for repair in event.repairs] == [0, 0, None]
