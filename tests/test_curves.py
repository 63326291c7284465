"""Sensor curves by name: each can be read, says where it comes from, and stands in for what the settings leave out."""

import tomllib

import numpy as np
import pytest

from logger import curves
from logger.channel_settings import ChannelSettings
from logger.conversion import from_si
from logger.errors import SettingsError
from logger.settings import Settings

BASE = {"engine": {"cylinders": 4}, "tach": {"pin": 17}}
NTC_WIRING = {"chip": 0x49, "input": 0, "pull_up_ohm": 2490.0, "ratio": 2.0, "load_ohm": 200_000.0}


def channel(name: str, **table: object) -> ChannelSettings:
    return Settings.from_dict({**BASE, "channels": {name: table}}).channels[name]


@pytest.mark.parametrize("name", curves.names())
def test_every_curve_is_a_channel_of_the_settings_with_a_source(name: str) -> None:
    curve = curves.load(name)
    assert curve.label
    assert len(curve.source) > 60
    wiring = NTC_WIRING if name.startswith("ntc") else {"chip": 0x48, "input": 2, "ratio": 2.0}
    target = "coolant_temperature" if name.startswith("ntc") else "fuel_pressure"
    law = channel(target, curve=name, **wiring).calibration
    low, high = (20.0, 90.0) if name.startswith("ntc") else (5.0, 30.0)
    counts = law.to_counts([low, high], 5.0)
    assert law.to_si(counts, 5.0) == pytest.approx([low, high], abs=0.2)


# The resistance that the curve's own source gives, ohm at degC.
@pytest.mark.parametrize(
    ("name", "ohm", "degc", "within"),
    [
        ("ntc_2500", 2502.0, 20.0, 0.05), ("ntc_2500", 308.6, 80.0, 0.05), ("ntc_2500", 175.7, 100.0, 0.05),
        ("ntc_2450", 2450.0, 20.0, 1.0), ("ntc_2450", 290.0, 80.0, 1.0), ("ntc_2450", 160.0, 100.0, 3.0),
        ("ntc_10k_3950", 10000.0, 25.0, 0.3), ("ntc_10k_3950", 906.9, 90.0, 0.3),
        ("ntc_10k", 10000.0, 25.0, 0.01), ("ntc_10k", 680.0, 100.0, 0.1),
    ],
)  # fmt: skip
def test_a_thermistor_curve_meets_its_source(name: str, ohm: float, degc: float, within: float) -> None:
    curve = channel("coolant_temperature", curve=name, **NTC_WIRING).calibration.curve
    volts = 5.0 / (1.0 + 2490.0 * (1.0 / ohm + 1.0 / 200_000.0))
    assert curve.to_si(np.array(volts), np.array(5.0)) == pytest.approx(degc, abs=within)


def test_a_transducers_name_is_its_range() -> None:
    for name in curves.names():
        if name.startswith("pressure"):
            curve = curves.load(name).channel
            assert name == f"pressure_{curve['full_scale']:g}{curve['unit']}"
            law = channel("fuel_pressure", curve=name, chip=0x48, input=2).calibration.curve
            full = from_si(law.to_si(np.array(4.5), np.array(5.0)), curve["unit"])
            assert full == pytest.approx(curve["full_scale"])


def test_what_the_channel_says_itself_comes_first() -> None:
    mine = channel("coolant_temperature", curve="ntc_10k", beta=3500.0, r25_ohm=9900.0, **NTC_WIRING)
    assert (mine.beta, mine.coefficients) == (3500.0, None)
    assert channel("fuel_pressure", curve="pressure_100psi", chip=0x48, input=2, zero_fraction=0.11).full_scale == 100.0


def test_a_snapshot_carries_the_numbers_and_not_the_name() -> None:
    original = Settings.from_dict({**BASE, "channels": {"coolant_temperature": {"curve": "ntc_2500", **NTC_WIRING}}})
    table = original.to_dict()["channels"]["coolant_temperature"]
    assert "curve" not in table
    assert table["points"][0] == [-20.0, 15971.0]
    assert Settings.from_dict(original.to_dict()) == original


def test_an_unknown_curve_is_answered_with_those_there_are() -> None:
    with pytest.raises(SettingsError, match=r"channels.coolant_temperature.curve is 'ntc_9k'; there are ntc_10k, "):
        channel("coolant_temperature", curve="ntc_9k", **NTC_WIRING)


def test_a_curve_in_another_unit_is_refused() -> None:
    with pytest.raises(SettingsError, match="its curve is in degC; leave unit out"):
        channel("coolant_temperature", curve="ntc_2500", unit="degF", **NTC_WIRING)


def test_the_curve_files_hold_nothing_but_what_is_read() -> None:
    for name in curves.names():
        text = curves.files("logger.curves").joinpath(f"{name}.toml").read_text(encoding="utf-8")
        assert tomllib.loads(text).keys() == {"label", "source", "channel"}
