"""A recorder told not to store every sample of the accelerometer still keeps what the road did."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from logger.analysis.links import shock
from logger.event import Recording
from logger.settings import Settings
from logger.store.recording_reader import RecordingReader
from logger.virtualcar import demo
from logger.virtualcar.drive import DemoEvent, Drive
from logger.virtualcar.scenario import demo_event


def recorded(event: DemoEvent, drive: Drive, data_dir: Path) -> Recording:
    demo.record_drive(event, drive, data_dir, lambda done_s: None)
    [path] = (data_dir / "recordings").glob("*.sqlite")
    with RecordingReader(path) as reader:
        return reader.recording()


def test_levels_alone_tell_of_the_same_knocks_as_the_samples(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    event = demo_event(1)
    drive = event.drives[1]
    whole = recorded(event, drive, tmp_path / "whole")

    usual = demo.demo_settings

    def levels_only(event: DemoEvent, drive: Drive, data_dir: Path) -> Settings:
        wiring = usual(event, drive, data_dir)
        return replace(wiring, accelerometer=replace(wiring.accelerometer, store_raw=False))

    monkeypatch.setattr(demo, "demo_settings", levels_only)
    small = recorded(event, drive, tmp_path / "small")
    assert "acceleration" in whole.traces
    assert "acceleration" not in small.traces

    strong = shock.hits_of(whole, event.engine)
    strong_s = strong.time_s[strong.level_g > 2.5]
    found_s = shock.hits_of(small, event.engine).time_s
    assert strong_s.size >= 3
    assert max(np.abs(found_s - at_s).min() for at_s in strong_s) < 0.11
