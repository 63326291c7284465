"""The settings file: what it says, what it forgets, and one clear sentence for what is wrong."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st

from logger import settings
from logger.errors import SettingsError
from logger.rules import REQUIRED

ENGINE = "[engine]\ncylinders = 4\n"
TACH = "[tach]\npin = 17\n"
VOLTS = '[channels.battery_voltage]\nchip = 0x48\ninput = 0\nunit = "V"\nconvert = "divider"\n'


def write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "car.toml"
    path.write_text(text, encoding="utf-8")
    return path


def refusal(tmp_path: Path, text: str) -> str:
    path = write(tmp_path, text)
    with pytest.raises(SettingsError) as caught:
        settings.load(path)
    message = str(caught.value)
    assert message.startswith(f"{path}: ")
    assert "\n" not in message
    return message.removeprefix(f"{path}: ")


def test_the_default_file_carries_the_deciding_signals_on_the_first_chip() -> None:
    channels = settings.default().channels
    first = {name for name, channel in channels.items() if channel.chip == 0x48}
    assert first == {"battery_voltage", "ignition_feed_voltage", "fuel_pressure", "sensor_supply_voltage"}
    assert channels["coolant_temperature"].chip == 0x49


def test_a_file_that_names_only_the_engine_gets_the_default_wiring(tmp_path: Path) -> None:
    loaded = settings.load(write(tmp_path, ENGINE))
    assert loaded.engine.cylinders == 4
    assert loaded.channels == settings.default().channels
    assert loaded.pulse_inputs == settings.default().pulse_inputs


def test_a_snapshot_reads_back_as_the_same_settings() -> None:
    original = settings.default()
    assert settings.Settings.from_dict(original.to_dict()) == original


def test_the_default_file_says_nothing_else_than_the_rules() -> None:
    loaded = settings.default().to_dict()
    for section, key, rule in settings.rules():
        if section in ("engine", "channels.NAME", "event") or rule.default is REQUIRED or section not in loaded:
            continue
        value = loaded[section][key]
        assert (tuple(value) if isinstance(value, list) else value) == rule.default, f"{section}.{key}"


def test_every_rule_has_help_and_says_what_is_allowed() -> None:
    for section, key, rule in settings.rules():
        assert rule.help, f"{section}.{key}"
        assert rule.allowed, f"{section}.{key}"


def test_a_pressure_sensor_given_in_psi_reads_in_kpa(tmp_path: Path) -> None:
    text = ENGINE + TACH + (
        '[channels.fuel_pressure]\nchip = 0x48\ninput = 2\nunit = "psi"\nconvert = "ratiometric"\nfull_scale = 100\n'
    )  # fmt: skip
    calibration = settings.load(write(tmp_path, text)).channels["fuel_pressure"].calibration
    assert calibration.to_si(20000, 5.0) == pytest.approx(344.738, abs=0.001)  # 2.5 V of 5 V: half of 100 psi


def test_a_ratiometric_sensor_given_in_degrees_fahrenheit_reads_0_degf_at_its_zero(tmp_path: Path) -> None:
    text = ENGINE + (
        '[channels.coolant_temperature]\nchip = 0x48\ninput = 0\nunit = "degF"\nconvert = "ratiometric"\n'
        "full_scale = 300\n"
    ) + TACH  # fmt: skip
    curve = settings.load(write(tmp_path, text)).channels["coolant_temperature"].calibration.curve
    read = curve.to_si(np.array([0.5, 2.5, 4.5]), np.full(3, 5.0))
    assert read == pytest.approx([-17.778, 65.556, 148.889], abs=0.001)  # 0, 150 and 300 degF


def test_a_file_that_moves_only_the_tach_wire_keeps_the_default_channels(tmp_path: Path) -> None:
    loaded = settings.load(write(tmp_path, ENGINE + "[tach]\npin = 18\n"))
    assert loaded.pulse_inputs["tach_pulses"].pin == 18
    assert loaded.channels == settings.default().channels
    assert settings.load(write(tmp_path, ENGINE + TACH + "[channels]\n")).channels == {}


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (TACH, "engine.cylinders is missing (number of cylinders); it must be a whole number from 1 to 16"),
        ("[engine]\ncylinders = 2.5\n", "engine.cylinders is 2.5; it must be a whole number from 1 to 16"),
        ("[engine]\ncylinders = true\n", "engine.cylinders is True; it must be a whole number from 1 to 16"),
        ("engine = 3\n", "engine must be a section of its own, [engine]"),
        (ENGINE + "strokes = 3\n", "engine.strokes is 3; it must be one of 2, 4"),
        (
            ENGINE + "[tach]\npin = 40\n",
            "tach.pin is 40; it must be a whole number from 4 to 27 (GPIO number, not the pin of the header)",
        ),
        (ENGINE + "[tach]\npin = 27\n", "key_sense.pin is 27, which tach.pin has already; choose another"),
        (ENGINE + VOLTS, "[tach] is missing; write its pin, for without tach pulses nothing can be found"),
        (
            ENGINE + TACH + VOLTS.replace('unit = "V"\n', ""),
            "channels.battery_voltage.unit is missing (unit of the numbers given here, such as V, kPa, bar, psi, degC, "
            "degF, %); it must be a text in quotes",
        ),
        (
            ENGINE + TACH + VOLTS.replace('"V"', '"psi"'),
            "channels.battery_voltage.unit is 'psi'; allowed for battery_voltage are V, mV",
        ),
        (
            ENGINE + TACH + VOLTS.replace("0x48", "0x4c"),
            "channels.battery_voltage.chip is 0x4c; it must be one of 0x48, 0x49, 0x4a, 0x4b",
        ),
        (
            ENGINE + TACH + VOLTS + "rate_hz = 0\n",
            "channels.battery_voltage.rate_hz is 0; it must be a number from 0.1 to 250 (Hz)",
        ),
        (
            ENGINE + TACH + VOLTS.replace("divider", "ratiometric"),
            '[channels.battery_voltage] full_scale is missing; convert = "ratiometric" needs it',
        ),
        (
            ENGINE + TACH + VOLTS.replace("divider", "table") + "points = [[0.0, 1.0], [1.0, 1.0]]\n",
            "[channels.battery_voltage] a table needs two points or more, volts rising, values always rising or always "
            "falling",
        ),
        (
            ENGINE + TACH + VOLTS + "points = [[0.0, 1.0, 2.0]]\n",
            "channels.battery_voltage.points is [[0.0, 1.0, 2.0]]; it must be a list of pairs, "
            "[[1.0, 2.0], [3.0, 4.0]]",
        ),
        (
            ENGINE + TACH + VOLTS + VOLTS.replace("battery", "ignition_feed"),
            "channels.ignition_feed_voltage.input is 0 of chip 0x48, which channels.battery_voltage has already; "
            "choose another",
        ),
        (
            ENGINE + '[accelerometer]\nmounting = ["+x", "+y", "-z"]\n',
            "accelerometer.mounting is ['+x', '+y', '-z']: these axes are a mirror image, which no mounting gives; "
            "check the sign of one of them",
        ),
        (
            "[engine]\ncylinders = 8\nredline_rpm = 6000\n[tach]\npin = 17\ndebounce_us = 1000\n",
            "tach.debounce_us is 1000; at 6000 rpm pulses come 2500 microseconds apart, so more than 625 could swallow "
            "a real one",
        ),
        (ENGINE + "[lamp]\ncolour = 1\n", "lamp.colour is not a setting; [lamp] has fitted, pin"),
    ],
)
def test_a_wrong_key_is_refused_in_one_sentence(tmp_path: Path, text: str, sentence: str) -> None:
    assert refusal(tmp_path, text) == sentence


def test_an_unknown_channel_is_refused_with_the_known_ones(tmp_path: Path) -> None:
    message = refusal(tmp_path, ENGINE + TACH + VOLTS.replace("battery_voltage", "batery"))
    assert message.startswith("[channels.batery] is an unknown channel; known are battery_voltage, ")


def test_an_unknown_section_is_refused_with_the_known_ones(tmp_path: Path) -> None:
    assert refusal(tmp_path, ENGINE + "[tacho]\npin = 3\n").startswith("[tacho] is not a section of the settings; ")


def test_more_conversions_than_a_chip_can_do_are_refused(tmp_path: Path) -> None:
    names = ("battery_voltage", "ignition_feed_voltage", "pump_feed_voltage")
    channels = [
        VOLTS.replace("battery_voltage", name).replace("input = 0", f"input = {number}") + "rate_hz = 250\n"
        for number, name in enumerate(names)
    ]
    message = refusal(tmp_path, ENGINE + TACH + "".join(channels))
    assert message.startswith("channels.*.rate_hz add up to 750 conversions a second on chip 0x48, which does 600")


def test_text_that_is_not_toml_is_refused_with_the_line(tmp_path: Path) -> None:
    assert "not valid TOML: " in refusal(tmp_path, "[engine\n")


def test_a_file_that_is_not_there_is_refused_by_name(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"none\.toml: cannot be read: No such file"):
        settings.load(tmp_path / "none.toml")


PLAIN = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=8), st.sampled_from(["ntc", "table", "psi"])
)
VALUES = st.recursive(PLAIN, lambda inner: st.lists(inner, max_size=4), max_leaves=8)
KEYS = sorted({key for _, key, _ in settings.rules()})
SECTIONS = sorted({section for section, _, _ in settings.rules() if "." not in section})
TABLES = st.dictionaries(st.sampled_from(KEYS), VALUES, max_size=6)
NAMES = ("battery_voltage", "fuel_pressure", "coolant_temperature", "tach_pulses", "x")
DOCUMENTS = st.dictionaries(st.sampled_from(SECTIONS), st.one_of(VALUES, TABLES), max_size=4)
CHANNEL_TABLES = st.dictionaries(st.sampled_from(NAMES), st.one_of(VALUES, TABLES), max_size=2)


@effort(max_examples=300, deadline=None)
@given(DOCUMENTS, CHANNEL_TABLES)
def test_whatever_a_document_holds_it_is_settings_or_a_settings_error(document: Any, channels: Any) -> None:
    problem = "settings: none"
    try:
        settings.Settings.from_dict({"engine": {"cylinders": 4}, **document, "channels": channels})
    except SettingsError as error:
        problem = str(error)
    assert problem.startswith("settings: ")


NUMBERS = st.floats(-1e6, 1e6)


@effort(max_examples=200, deadline=None)
@given(
    st.sampled_from(["divider", "ratiometric", "ntc", "linear", "table"]),
    st.fixed_dictionaries(
        {},
        optional={
            "full_scale": NUMBERS,
            "per_volt": NUMBERS,
            "pull_up_ohm": NUMBERS,
            "coefficients": st.lists(NUMBERS, max_size=4),
            "beta": NUMBERS,
            "r25_ohm": NUMBERS,
            "points": st.lists(st.lists(NUMBERS, min_size=2, max_size=2), max_size=4),
        },
    ),
)
def test_whatever_numbers_a_curve_is_given_it_is_taken_or_refused(convert: str, numbers: dict[str, Any]) -> None:
    channel = {"chip": 0x48, "input": 0, "unit": "degC", "convert": convert, **numbers}
    document = {"engine": {"cylinders": 4}, "tach": {"pin": 17}, "channels": {"coolant_temperature": channel}}
    try:
        taken = settings.Settings.from_dict(document).channels["coolant_temperature"]
    except SettingsError:
        return
    assert taken.calibration.to_si([0, 1000, 30000], 5.0).shape == (3,)
