"""The band behind a trace: usual values of good running, stumbles and standing still left out."""

from dataclasses import replace

import pytest

from logger.store.store import Store
from tests.web.client import Client
from tests.web.example import ENGINE, findings
from web.normal import bands
from web.overviews import Overviews


def test_the_band_holds_good_running_and_not_the_stumble(filled: tuple[Store, str]) -> None:
    store, event_id = filled
    stumbles = [s for s in findings().as_json()["stumbles"] if s["recording"] == "r02"]
    with store.reader(event_id, "r02") as reader:
        found = bands(reader, Overviews(), "", ENGINE, stumbles)
    # 13.7 V with 0.05 V of ripple; the feed falls to 0.4 V in two of the sixty seconds.
    assert found["ignition_feed_voltage"] == (pytest.approx(13.65, abs=0.01), pytest.approx(13.75, abs=0.01))
    assert found["fuel_pressure"] == (pytest.approx(280.0, abs=1.0), pytest.approx(320.0, abs=1.0))
    assert "coolant_temperature" not in found


def test_an_engine_that_never_ran_has_no_band(filled: tuple[Store, str]) -> None:
    store, event_id = filled
    with store.reader(event_id, "r02") as reader:
        assert bands(reader, Overviews(), "", replace(ENGINE, idle_rpm=50_000.0), []) == {}


def test_the_moment_carries_the_bands(client: Client, filled: tuple[Store, str]) -> None:
    page = client.get(f"/api/events/{filled[1]}/recordings/r02", params={"at_s": 20.0}).json()
    assert set(page["chart"]["bands"]) == {"battery_voltage", "ignition_feed_voltage", "fuel_pressure"}
