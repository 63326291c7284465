"""The door for scripts: every form opens alike, and gives arrays, dataclasses and, with pandas, frames."""

import json
import re
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import logger.store
from logger.errors import CaptureError, StoreError
from logger.examples import before_stumbles
from logger.store.exports.write import write
from logger.store.store import Store
from tests.store import recordings
from tests.store.events import assert_same_event
from tests.web import example

FORMS = ("data directory", "csv", "sqlite", "parquet", "bundle")


@pytest.fixture(scope="module")
def places(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The event of tests/web/example.py in every form that can be opened."""
    base = tmp_path_factory.mktemp("door")
    places = {form: base / form for form in FORMS}
    with Store(places["data directory"]) as store:
        event_id = example.fill(store, base / "captured")
        for form in FORMS[1:]:
            write(store, event_id, form, places[form])  # type: ignore[arg-type]
    return places


@pytest.mark.parametrize("form", FORMS)
def test_every_form_opens_to_the_same_event(places: dict[str, Path], form: str):
    with logger.store.open_event(places[form]) as event:
        expected = example.event()
        assert (event.name, event.recordings) == (expected.name, ("r01", "r02", "r03"))
        assert_same_event(event.event(), expected)
        battery = event.trace("r02", "battery_voltage", 10.0, 11.0)
        assert (battery.time_ns[0], battery.time_ns.size) == (10_000_000_000, 100)
        np.testing.assert_array_equal(
            event.pulses("r02", "driver_marks"), expected.recordings[1].pulses["driver_marks"]
        )
        if form != "csv":
            assert event.findings == example.findings()
            assert event.stumbles == example.findings().stumbles


def test_a_capture_folder_brings_no_findings_and_says_so(places: dict[str, Path]):
    with logger.store.open_event(places["csv"]) as event:
        assert event.findings is None
        with pytest.raises(StoreError, match="not analysed yet; call analyse"):
            _ = event.stumbles
        assert event.analyse() is event.findings
        assert event.stumbles == event.analyse().stumbles


def test_counts_are_there_where_counts_were_stored(tmp_path: Path, places: dict[str, Path]):
    with Store(tmp_path) as store:
        recordings.write(store.data_dir / "recordings" / "one.sqlite", 2)
    with logger.store.open_event(tmp_path) as event:
        assert event.counts("r01", "battery_voltage").value[:3].tolist() == [0.0, 1.0, 2.0]
    with (
        logger.store.open_event(places["bundle"]) as event,
        pytest.raises(StoreError, match="was stored as values; there are no counts"),
    ):
        event.counts("r01", "battery_voltage")


def test_a_frame_has_a_row_for_each_instant_and_a_column_for_each_channel(places: dict[str, Path]):
    pytest.importorskip("pandas")
    with logger.store.open_event(places["bundle"]) as event:
        frame = event.to_pandas("r02", "battery_voltage", "coolant_temperature", "acceleration")
        battery = event.trace("r02", "battery_voltage")
    assert list(frame.columns) == [
        "time_utc", "battery_voltage", "coolant_temperature", "acceleration_x", "acceleration_y", "acceleration_z",
    ]  # fmt: skip
    assert frame.index.name == "time_s"
    assert frame.battery_voltage.dropna().to_numpy().tobytes() == battery.value.tobytes()
    assert np.isnan(frame.coolant_temperature.loc[0.01])
    assert str(frame.time_utc.iloc[0]) == "2026-05-09 08:32:11+00:00"
    assert frame.time_utc.iloc[-1] - frame.time_utc.iloc[0] == (frame.index[-1] - frame.index[0]) * np.timedelta64(
        10**9, "ns"
    )


def test_without_pandas_a_frame_is_refused_in_words(places: dict[str, Path], monkeypatch):
    monkeypatch.setitem(sys.modules, "pandas", None)
    with (
        logger.store.open_event(places["bundle"]) as event,
        pytest.raises(StoreError, match="pandas is not installed; install it with: pip install pandas"),
    ):
        event.to_pandas("r01")


def test_what_is_no_event_is_refused(tmp_path: Path):
    (tmp_path / "notes.txt").write_text("hello")
    with pytest.raises(StoreError, match=r"nowhere: no such file or folder"):
        logger.store.open_event(tmp_path / "nowhere")
    with pytest.raises(StoreError, match=r"notes\.txt: neither a bundle nor an exported SQLite file"):
        logger.store.open_event(tmp_path / "notes.txt")
    with pytest.raises(CaptureError, match=r"no capture\.toml in it, and no exported event"):
        logger.store.open_event(tmp_path)
    (tmp_path / "001.mf4").write_bytes(b"MDF")
    for path in (tmp_path, tmp_path / "001.mf4"):
        with pytest.raises(StoreError, match="MDF is not read back; give the event as bundle, SQLite, Parquet or CSV"):
            logger.store.open_event(path)


def test_the_worked_analysis_counts_the_missing_pulses_and_draws_each_stumble(places, tmp_path: Path, capsys):
    pytest.importorskip("matplotlib")
    assert before_stumbles.main([str(places["bundle"]), str(tmp_path / "pictures")]) == 0
    lines = capsys.readouterr().out.splitlines()
    # From 19 to 20 s of r02 the engine turns 2,975 1/min on average, 3 pulses each: 149 pulses/s. At 20 s it is 150,
    # and the feed is open for 0.12 s: 18 are missing.
    assert "r02    20.000 s  ignition_primary; 18 pulses missing at 149 pulses/s" in lines[0]
    assert sorted(path.name for path in (tmp_path / "pictures").iterdir()) == [
        "stumble-001.svg", "stumble-002.svg", "stumble-003.svg",
    ]  # fmt: skip
    assert (tmp_path / "pictures" / "stumble-001.svg").read_text().count("<path") > 20


def test_the_notebook_runs_from_top_to_bottom(places, tmp_path: Path):
    matplotlib = pytest.importorskip("matplotlib")
    pytest.importorskip("pandas")
    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    notebook = json.loads(Path(before_stumbles.__file__).with_suffix(".ipynb").read_text(encoding="utf-8"))
    cells = ["".join(cell["source"]) for cell in notebook["cells"] if cell["cell_type"] == "code"]
    assert sum("hollow-quarry.zip" in cell for cell in cells) == 1
    names: dict[str, Any] = {}
    for cell in cells:
        exec(cell.replace("hollow-quarry.zip", str(places["bundle"])), names)
    missing = [
        np.sum(np.abs(example.tach([]) / 1e9 - onset - example.OPEN_S / 2) <= example.OPEN_S / 2)
        for onsets in example.ONSETS.values()
        for onset in onsets
    ]
    assert names["n_lost"] == missing
    assert len(names["stands_out"]) == 3
    assert len(plt.get_fignums()) == 7  # the signals around one, and two for each of three stumbles
    plt.close("all")


def test_the_readmes_lines_of_python_run(places, capsys):
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    (code,) = re.findall(r"^```python\n(.*?)^```", readme, re.DOTALL | re.MULTILINE)
    exec(code.replace("hollow-quarry.zip", str(places["bundle"])), {})
    # From 20.0 s of r02 on the feed is at 0.4 V for 0.12 s.
    assert capsys.readouterr().out.splitlines()[0] == "r02 20.0 ignition_primary 0.4"


def test_the_spectrum_finds_a_shaking_that_only_comes_before(places):
    with logger.store.open_event(places["bundle"]) as event:
        trace = event.trace("r02", "acceleration")
        seconds = trace.time_ns / 1e9
        shaken = (
            trace.value + 0.5 * np.sin(2 * np.pi * 50.0 * seconds[:, None]) * ((seconds > 18) & (seconds < 20))[:, None]
        )
        event.trace = lambda *_: replace(trace, value=shaken)  # type: ignore[method-assign]
        found = before_stumbles.shaking(event, event.stumbles[0])
    assert found is not None
    frequency_hz, factor = found.stands_out
    assert frequency_hz == pytest.approx(50.0, abs=400 / before_stumbles.SEGMENT)
    assert factor > 10
