"""Calibration against a gauge in hand: the numbers, the versions, and that old recordings follow."""

import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from logger.channel_settings import ChannelSettings
from logger.errors import SettingsError
from logger.event import NS_PER_S
from logger.store.blocks import Series
from logger.store.description import RecordingMeta, stored_channel
from logger.store.recording_writer import RecordingWriter, Second
from logger.store.store import Store
from tests.web.client import Client
from tests.web.errors import assert_error
from web.app import create_app
from web.calibration import corrected

PRESSURE = ChannelSettings(0x48, 2, "kPa", "ratiometric", full_scale=700.0)
BATTERY = ChannelSettings(0x48, 0, "V", "divider", ratio=5.0)
COOLANT = ChannelSettings(0x49, 0, "degC", "ntc", pull_up_ohm=1000.0, beta=3500.0, r25_ohm=2000.0)


def applied(settings: ChannelSettings, conversion: dict[str, object], shown: float) -> float:
    """What the corrected channel shows where the old one showed `shown`: through volts and back, at 5 V supply."""
    known = {key: conversion[key] for key in conversion}
    if "points" in known:
        known["points"] = tuple(tuple(point) for point in known["points"])
    new = ChannelSettings(settings.chip, settings.input, **known)
    volts = settings.calibration.to_pin_volts(shown) * settings.ratio
    return float(new.calibration.curve.to_si(volts / settings.ratio * new.ratio, np.array(5.0)))


@pytest.mark.parametrize(
    ("settings", "unit", "pairs"),
    [
        (PRESSURE, "kPa", [(300.0, 310.0)]),
        (PRESSURE, "kPa", [(10.0, 0.0), (310.0, 300.0)]),
        (PRESSURE, "kPa", [(0.0, 5.0), (300.0, 330.0)]),
        (BATTERY, "V", [(12.0, 12.6)]),
        (BATTERY, "V", [(10.0, 10.2), (14.0, 14.0)]),
        (BATTERY, "V", [(10.0, 10.2), (12.0, 12.5), (14.0, 14.1)]),
        (COOLANT, "degC", [(20.0, 22.0), (85.0, 90.0)]),
        (COOLANT, "degC", [(20.0, 22.0), (60.0, 63.0), (85.0, 90.0)]),
    ],
)
def test_the_corrected_channel_shows_what_the_gauge_said(
    settings: ChannelSettings, unit: str, pairs: list[tuple[float, float]]
) -> None:
    conversion = corrected(settings, unit, pairs)
    for shown, true in pairs:
        assert applied(settings, conversion, shown) == pytest.approx(true, abs=0.02)


def test_the_kind_of_sensor_stays_what_it_is() -> None:
    assert corrected(PRESSURE, "kPa", [(0.0, 5.0), (150.0, 160.0), (300.0, 330.0)])["convert"] == "ratiometric"
    assert corrected(COOLANT, "degC", [(20.0, 22.0), (85.0, 90.0)])["convert"] == "ntc"


def test_one_pair_corrects_a_dividers_ratio_and_a_pressures_zero() -> None:
    # 12.6 of 12.0 is 5 % more at every voltage; 10 kPa more of 700 at 0.8 of the supply is a share of 0.0114.
    assert corrected(BATTERY, "V", [(12.0, 12.6)])["per_volt"] == pytest.approx(1.05)
    zero = corrected(PRESSURE, "kPa", [(300.0, 310.0)])["zero_fraction"]
    assert zero == pytest.approx(0.1 - 10.0 * 0.8 / 700.0, abs=1e-6)


@pytest.mark.parametrize(
    ("settings", "pairs", "words"),
    [
        (PRESSURE, [], "no pair of values"),
        (PRESSURE, [(1.0, 2.0), (1.0, 3.0)], "same shown value"),
        (PRESSURE, [(0.0, 300.0), (300.0, 0.0)], "where the logger's value rises, the gauge falls or stands still"),
        (COOLANT, [(20.0, 22.0)], "needs two pairs"),
        (COOLANT, [(20.0, 90.0), (85.0, 22.0)], "the gauge falls"),
        (COOLANT, [(20.0, 22.0), (85.0, 22.1)], "no temperature sensor behaves like this"),
        (PRESSURE, [(100.0, 690.0)], "one pair moves only the zero, and from 100 to 690 kPa is too far"),
        (BATTERY, [(0.0, 12.0)], "measure with the voltage on"),
        (BATTERY, [(12.0, -12.0)], "leads are swapped"),
    ],
)
def test_pairs_that_make_no_sense_are_refused(
    settings: ChannelSettings, pairs: list[tuple[float, float]], words: str
) -> None:
    with pytest.raises(SettingsError, match=words):
        corrected(settings, "kPa", pairs)


@pytest.fixture
def recorded(tmp_path: Path) -> Iterator[tuple[Client, Store, str]]:
    """One recording of a recorder: a second of 2.5 V on a sensor that shows 0 to 700 kPa between 0.5 and 4.5 V."""
    channel = {"chip": 0x48, "input": 2, "unit": "kPa", "convert": "ratiometric", "full_scale": 700.0}
    meta = RecordingMeta(
        uuid="3f0c5d1e-0000-4000-8000-000000000001",
        channels=(stored_channel("fuel_pressure", counts=True), stored_channel("tach_pulses")),
        power_up=1,
        settings={"engine": {"cylinders": 6}, "channels": {"fuel_pressure": channel}, "tach": {"pin": 17}},
    )
    with Store(tmp_path) as store:
        time_ns = np.arange(100, dtype=np.int64) * NS_PER_S // 100
        counts = np.full(100, round(2.5 / 4.096 * 32768), np.int16)
        with RecordingWriter(tmp_path / "recordings" / "boot-000001.sqlite", meta) as writer:
            writer.append(Second(0, [Series(0, time_ns, counts), Series(1, time_ns[:2])]))
        yield Client(create_app(store, tmp_path / "run")), store, store.events()[0].event_id


def pressure(store: Store, event_id: str) -> float:
    with store.reader(event_id, store.recordings(event_id)[0].name) as reader:
        return float(reader.read("fuel_pressure").value[0])


def test_an_old_recording_follows_and_goes_back(recorded: tuple[Client, Store, str]) -> None:
    client, store, event_id = recorded
    assert pressure(store, event_id) == pytest.approx(350.0, abs=0.1)
    answer = client.post("/settings/channels/fuel_pressure", data={"shown": ["350"], "true": ["360"], "why": "dial"})
    assert answer.status_code == 303
    assert pressure(store, event_id) == pytest.approx(360.0, abs=0.1)
    page = client.get("/api/settings/channels/fuel_pressure").json()
    (version,) = page["versions"]
    assert (version["why"], version["in_force"]) == ("dial (350 → 360 kPa)", True)
    client.post(f"/settings/calibrations/{version['entry_id']}/remove", data={"channel": "fuel_pressure"})
    assert pressure(store, event_id) == pytest.approx(350.0, abs=0.1)
    client.post(f"/settings/calibrations/{version['entry_id']}/restore", data={"channel": "fuel_pressure"})
    assert pressure(store, event_id) == pytest.approx(360.0, abs=0.1)


def test_a_second_calibration_corrects_the_first_as_live_values_follow_it(
    recorded: tuple[Client, Store, str],
) -> None:
    client, store, event_id = recorded
    for shown, true in ((350.0, 360.0), (360.0, 355.0)):
        client.post("/settings/channels/fuel_pressure", data={"shown": [str(shown)], "true": [str(true)]})
        assert pressure(store, event_id) == pytest.approx(true, abs=0.1)


def test_the_form_speaks_the_units_of_the_device(recorded: tuple[Client, Store, str]) -> None:
    client, store, event_id = recorded
    data = {"shown": ["3,5", ""], "true": ["3.6", " "]}
    client.post("/settings/channels/fuel_pressure", data=data, headers={"Cookie": "sl_pressure=bar"})
    assert pressure(store, event_id) == pytest.approx(360.0, abs=0.1)
    page = client.get("/settings/channels/fuel_pressure", headers={"Cookie": "sl_pressure=bar"}).text
    assert "3.50 → 3.60 bar" in page


@pytest.mark.parametrize(
    ("data", "status", "words"),
    [
        ({"shown": ["abc"], "true": ["1"]}, 422, "'abc' is not a number"),
        ({"shown": ["inf"], "true": ["1"]}, 422, "'inf' is not a number"),
        ({"shown": ["1"], "true": [""]}, 422, "'' is not a number"),
        ({"shown": [""], "true": [""]}, 400, "no pair of values"),
        ({"shown": ["1", "1"], "true": ["1", "2"]}, 400, "same shown value"),
        (
            {"shown": ["300"], "true": ["1000000"]},
            400,
            "pair 1: the gauge says 1000000 kPa, and fuel pressure can only be -100 to 2000 kPa",
        ),
        ({"shown": ["300", "300.1"], "true": ["0", "1900"]}, 400, "these pairs make no sensor that there is"),
    ],
)
def test_fields_that_make_no_sense_are_refused(
    recorded: tuple[Client, Store, str], data: dict[str, list[str]], status: int, words: str
) -> None:
    client, store, _ = recorded
    error = assert_error(client.post("/settings/channels/fuel_pressure", data=data), status)
    assert words in str(error["what"])
    assert store.calibrations() == []


def test_only_channels_that_a_recorder_has_can_be_calibrated(
    recorded: tuple[Client, Store, str], client: Client
) -> None:
    assert recorded[0].get("/settings/channels/fuel_pressure").status_code == 200
    assert_error(recorded[0].post("/api/settings/channels/flux", json={"pairs": [[1, 2]]}), 404)
    assert_error(recorded[0].get("/settings/channels/tach_pulses"), 404)
    assert "there is nothing to calibrate" in client.get("/settings").text


def test_json_takes_si_units_and_finite_numbers(recorded: tuple[Client, Store, str]) -> None:
    client, store, event_id = recorded
    path = "/api/settings/channels/fuel_pressure"
    assert client.post(path, json={"pairs": [[350.0, 340.0]]}).status_code == 201
    assert pressure(store, event_id) == pytest.approx(340.0, abs=0.1)
    assert_error(client.post(path, json={"pairs": [[1e300, 1.0]]}), 422)
    assert_error(client.post(path, json={"pairs": []}), 422)
    assert not math.isnan(pressure(store, event_id))


def test_a_refusal_is_in_the_units_of_the_device(recorded: tuple[Client, Store, str]) -> None:
    client, _, _ = recorded
    device = {"Cookie": "sl_pressure=psi", "Accept": "text/html"}
    data = {"shown": ["40"], "true": ["4000"]}
    data["why"] = "dial"
    answer = client.post("/settings/channels/fuel_pressure", data=data, headers=device)
    page = answer.text
    assert answer.status_code == 422
    for kept in ('name="shown" value="40"', 'name="true" value="4000"', 'name="why" value="dial"'):
        assert kept in page
    assert "the gauge says 4000.0 psi, and fuel pressure can only be -14.5 to 290.1 psi" in page


def test_an_air_fuel_ratio_which_has_no_unit_is_calibrated_too() -> None:
    afr = ChannelSettings(chip=0x49, input=3, unit="ratio", convert="linear", zero=10.0, per_volt=2.0)
    made = corrected(afr, "", [(14.0, 14.5), (12.0, 12.5)])
    assert (made["unit"], made["zero"], made["per_volt"]) == ("ratio", pytest.approx(10.5), pytest.approx(2.0))
