"""A season of events and cars in one folder of Parquet, asked with DuckDB, Dask and Arrow."""

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from logger.errors import StoreError
from logger.store.capture_out import write_folder
from logger.store.exports import parquet_folder
from logger.store.exports.incoming import take_in
from logger.store.exports.reference import STUMBLES_PER_HOT_MINUTE
from logger.store.exports.write import write
from logger.store.store import Store
from tests.store import recordings
from tests.web import example


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, dict[str, Store]]]:
    """Two cars: an event of each, made up in tests/web/example.py, and one more event of the first car, counts and all.

    The first car had its coil renewed after r02; the second was never touched.
    """
    base = tmp_path_factory.mktemp("season")
    stores = {car: Store(base / car) for car in ("blue", "green")}
    for car, store in stores.items():
        event = example.event()
        if car == "green":
            event = replace(
                event, name="Moss Lane autocross", repairs=(), started_utc=example.STARTED + timedelta(days=7)
            )
        write_folder(event, base / f"captured-{car}")
        event_id = store.import_folder(base / f"captured-{car}")
        found = replace(
            example.findings(), runs=[{"recording": f"r0{n}", "from_s": 0.0, "to_s": 60.0} for n in (1, 2, 3)]
        )
        store.save_findings(event_id, found.as_json(), store.input_fingerprint(event_id))
        write(store, event_id, "parquet", base / "season", car=car)
    recordings.write(stores["blue"].data_dir / "recordings" / "one.sqlite", 3)
    write(stores["blue"], stores["blue"].find("event-without-a-date"), "parquet", base / "season", car="blue")
    yield base / "season", stores
    for store in stores.values():
        store.close()


def test_stumbles_per_hot_minute_by_repair_state_over_all_events(season):
    # Coolant climbs from 60 + 10 n by 12 degrees in recording n: only r02 (82) and r03 (92) are hot to 85 at the
    # least in r03, and r02 reaches 92. Each lasts a minute; r02 holds 2 stumbles and r03 holds 1.
    rows = duckdb.sql(STUMBLES_PER_HOT_MINUTE.replace("season/", f"{season[0]}/")).fetchall()
    assert rows == [
        ("before any repair", 3.0, 5, pytest.approx(5 / 3)),  # r02 of both cars, r03 of the green one
        ("renewed the coil", 1.0, 1, 1.0),  # r03 of the blue one
    ]


def test_every_step_of_the_path_is_a_column(season):
    rows = duckdb.sql(
        f"SELECT car, event, channel, count(*) FROM read_parquet('{season[0]}/*/*/table=pulses/*/*.parquet',"
        " hive_partitioning = true) WHERE channel = 'driver_marks' GROUP BY ALL ORDER BY car, event"
    ).fetchall()
    assert rows == [
        ("blue", "2026-05-09-larkfold-hill-spring-meeting", "driver_marks", 3),
        ("green", "2026-05-16-moss-lane-autocross", "driver_marks", 3),
    ]


def test_duckdb_reads_what_our_own_reader_reads_to_the_last_bit(season):
    folder, stores = season
    for car, store in stores.items():
        for entry in store.events():
            for recording in store.recordings(entry.event_id):
                with store.reader(entry.event_id, recording.name) as reader:
                    both = reader.both(reader.channels)
                    kinds = {channel.name: channel for channel in reader.meta.channels}
                for name, (series, value) in both.items():
                    files = f"{folder}/car={car}/event={entry.event_id}/*/channel={name}/*.parquet"
                    columns = duckdb.sql(
                        f"SELECT * FROM read_parquet('{files}') WHERE recording = '{recording.name}'"
                    ).fetchnumpy()
                    assert columns["time_ns"].tobytes() == series.time_ns.tobytes(), name
                    if value is None:
                        continue
                    axes = ["x_g", "y_g", "z_g"] if value.ndim == 2 else ["value"]
                    got = np.column_stack([np.ma.filled(columns[axis], np.nan) for axis in axes])
                    assert got.tobytes() == np.ascontiguousarray(value.reshape(got.shape)).tobytes(), name
                    if kinds[name].counts:
                        raws = ["raw_x", "raw_y", "raw_z"] if value.ndim == 2 else ["raw"]
                        counts = np.column_stack([np.ma.getdata(columns[raw]) for raw in raws])
                        assert counts.tobytes() == np.ascontiguousarray(series.raw).tobytes(), name


def test_units_and_calibration_stand_in_the_metadata(season):
    (path,) = season[0].glob("car=blue/event=event-without-a-date/table=samples/channel=fuel_pressure/001.parquet")
    schema = pq.read_schema(path)
    assert schema.field("value").metadata[b"unit"] == b"kPa"
    about = json.loads(schema.metadata[b"stumblelog"])
    assert about["unit"] == "kPa"
    assert about["calibration"]["convert"] == "ratiometric"
    assert (about["recording"], about["started_utc"]) == ("r01", None)


@pytest.mark.filterwarnings("ignore:The inplace keyword")  # Dask's own, with pandas 3.1
def test_dask_reads_the_same_layout(season):
    dask = pytest.importorskip("dask.dataframe")
    stumbles = dask.read_parquet(f"{season[0]}/car=*/event=*/table=stumbles/part.parquet")
    lost = stumbles.groupby(["car", "cause"], observed=True).lost_firings.sum().compute()
    assert lost.to_dict() == {("blue", "ignition_primary"): 3 * 18, ("green", "ignition_primary"): 3 * 18}


def test_a_season_comes_in_event_by_event_and_what_is_here_stays(season, tmp_path: Path):
    with Store(tmp_path) as store:
        first = season[0] / "car=blue" / "event=2026-05-09-larkfold-hill-spring-meeting"
        assert take_in(store, first) == ["2026-05-09-larkfold-hill-spring-meeting"]
        assert take_in(store, season[0]) == ["event-without-a-date", "2026-05-16-moss-lane-autocross"]
        assert take_in(store, season[0]) == []
        assert len(store.events()) == 3


def test_an_event_is_not_written_over_another_and_a_car_needs_a_plain_name(season, tmp_path: Path):
    folder, stores = season
    event_id = "2026-05-16-moss-lane-autocross"
    with pytest.raises(StoreError, match="already exists; choose another folder or say --overwrite"):
        write(stores["green"], event_id, "parquet", folder, car="green")
    with pytest.raises(StoreError, match=r"car is '\.\./x'; use letters, digits, - and _"):
        write(stores["green"], event_id, "parquet", folder, car="../x")
    write(stores["green"], event_id, "parquet", folder, car="green", overwrite=True)


@pytest.mark.parametrize(("limit", "channel"), [("MOST_ROWS", "tach_pulses"), ("MOST_SMALL_ROWS", None)])
def test_a_small_file_of_rows_without_end_is_refused(season, tmp_path: Path, monkeypatch, limit: str, channel):
    _, stores = season
    write(stores["blue"], "event-without-a-date", "parquet", tmp_path / "out")
    name = f"channel={channel}/001.parquet" if channel else "table=channels/part.parquet"
    (path,) = (tmp_path / "out").rglob(name)
    whole = pq.read_metadata(path)
    monkeypatch.setattr(parquet_folder, limit, whole.num_rows - 1)
    with Store(tmp_path / "laptop") as laptop:
        with pytest.raises(StoreError, match=rf"^{path}: refused: it holds {whole.num_rows} rows"):
            take_in(laptop, tmp_path / "out")
        assert laptop.events() == []


@pytest.mark.parametrize("harm", ["missing", "half", "foreign"])
def test_a_damaged_season_is_refused_with_the_files_name(season, tmp_path: Path, harm: str):
    _, stores = season
    write(stores["blue"], "event-without-a-date", "parquet", tmp_path / "out")
    (path,) = (tmp_path / "out").glob("*/*/*/channel=tach_pulses/001.parquet")
    data = path.read_bytes()
    path.unlink()
    if harm == "half":
        path.write_bytes(data[: len(data) // 2])
    elif harm == "foreign":
        pq.write_table(pa.table({"time_ns": [1]}), path)
    with Store(tmp_path / "laptop") as laptop:
        with pytest.raises(StoreError, match=r"channel=tach_pulses/001\.parquet: "):
            take_in(laptop, tmp_path / "out")
        assert laptop.events() == []
