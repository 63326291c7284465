"""Points into laws: what is fitted, how sure it is said to be, and which points are refused."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger import settings
from logger.calibration import fit
from logger.calibration_points import Point, ohms, reads
from logger.channel_settings import ChannelSettings
from logger.errors import CalibrationError
from logger.settings import Settings
from logger.store.calibrated import WIRING_KEYS

CHANNELS = settings.default().channels
BATTERY, PRESSURE = CHANNELS["battery_voltage"], CHANNELS["fuel_pressure"]
COOLANT, MIXTURE = CHANNELS["coolant_temperature"], CHANNELS["air_fuel_ratio"]
NOISE_V = 20e-6


def after(name: str, wiring: ChannelSettings, conversion: dict[str, object]) -> ChannelSettings:
    """The channel as the store would read it with that conversion."""
    table = {key: getattr(wiring, key) for key in WIRING_KEYS} | conversion
    return Settings.from_dict({"engine": {"cylinders": 4}, "tach": {"pin": 17}, "channels": {name: table}}).channels[
        name
    ]


def coolant_point(degc: float, ohm: float, supply_v: float = 5.0) -> Point:
    """What the coolant input reads with that resistance: 2.49 kohm up, 200 kohm down, halved."""
    volts = supply_v / (1.0 + 2490.0 * (1.0 / ohm + 1.0 / 200_000.0))
    return Point(degc, volts / 2.0, NOISE_V, supply_v)


# Fits


def test_one_point_sets_a_dividers_ratio() -> None:
    fitted = fit("battery_voltage", BATTERY, [Point(12.60, 1.132, NOISE_V)])
    assert fitted.conversion["ratio"] == pytest.approx(12.60 / 1.132, abs=1e-6)
    assert after("battery_voltage", BATTERY, fitted.conversion).ratio == fitted.conversion["ratio"]
    assert fitted.spare == 0
    assert fitted.plus_minus == pytest.approx(2 * NOISE_V * 12.60 / 1.132, rel=1e-6)  # noise alone


def test_a_second_point_on_a_divider_tells_how_far_it_is_off() -> None:
    # Ratios 11.0 and 11.1: least squares through zero, by hand (11 * 1.21 + 11.1 * 1.69) / (1.21 + 1.69).
    fitted = fit("battery_voltage", BATTERY, [Point(12.1, 1.1, NOISE_V), Point(14.43, 1.3, NOISE_V)])
    assert fitted.conversion["ratio"] == pytest.approx((11 * 1.21 + 11.1 * 1.69) / 2.9, abs=1e-4)
    assert fitted.residuals == pytest.approx([12.1 - 11.05828 * 1.1, 14.43 - 11.05828 * 1.3], abs=1e-4)
    assert fitted.spare == 1
    assert fitted.plus_minus > 0.05


def test_two_points_set_zero_and_span_of_a_transducer() -> None:
    # At 5.0 V: 0.55 V at 0 psi, 2.55 V at 50 psi: zero 0.11, span 0.8.
    points = [Point(0.0, 0.275, NOISE_V, 5.0), Point(50.0, 1.275, NOISE_V, 5.0)]
    fitted = fit("fuel_pressure", PRESSURE, points)
    assert fitted.conversion["zero_fraction"] == pytest.approx(0.11, abs=1e-6)
    assert fitted.conversion["span_fraction"] == pytest.approx(0.8, abs=1e-6)
    new = after("fuel_pressure", PRESSURE, fitted.conversion)
    assert [reads(new, point) for point in points] == pytest.approx([0.0, 50.0], abs=1e-3)


def test_a_transducer_is_fitted_against_the_supply_it_had_at_each_point() -> None:
    points = [Point(0.0, 0.25, NOISE_V, 5.0), Point(50.0, 1.2, NOISE_V, 4.8)]  # half of 4.8 V is half scale
    fitted = fit("fuel_pressure", PRESSURE, points)
    assert fitted.conversion["zero_fraction"] == pytest.approx(0.1, abs=1e-6)
    assert fitted.conversion["span_fraction"] == pytest.approx(0.8, abs=1e-6)


def test_a_single_point_moves_a_transducers_zero_alone() -> None:
    fitted = fit("fuel_pressure", PRESSURE, [Point(0.0, 0.26, NOISE_V, 5.0)])
    assert fitted.conversion["zero_fraction"] == pytest.approx(0.104, abs=1e-6)
    assert fitted.conversion["span_fraction"] == 0.8


def test_two_points_set_a_linear_sensor() -> None:
    fitted = fit("air_fuel_ratio", MIXTURE, [Point(10.2, 0.0, NOISE_V), Point(20.2, 2.5, NOISE_V)])
    assert (fitted.conversion["zero"], fitted.conversion["per_volt"]) == pytest.approx((10.2, 2.0))


def test_two_points_of_a_thermistor_give_beta_and_three_a_curve() -> None:
    two = fit("coolant_temperature", COOLANT, [coolant_point(0.0, 5975.0), coolant_point(100.0, 175.7)])
    # B = ln(R1/R2) / (1/T1 - 1/T2)
    beta = np.log(5975.0 / 175.7) / (1 / 273.15 - 1 / 373.15)
    assert two.conversion["beta"] == pytest.approx(beta, rel=1e-3)
    assert "points" not in two.conversion
    three = fit(
        "coolant_temperature", COOLANT,
        [coolant_point(0.0, 5975.0), coolant_point(50.0, 806.9), coolant_point(100.0, 175.7)],
    )  # fmt: skip
    new = after("coolant_temperature", COOLANT, three.conversion)
    assert reads(new, coolant_point(0.0, 418.1)) == pytest.approx(70.0, abs=0.1)  # the published table, between
    assert "beta" not in three.conversion


def test_more_points_than_a_thermistor_needs_leave_residuals() -> None:
    table = {-20: 15971.0, 0: 5975.0, 40: 1152.0, 80: 308.6, 120: 105.4}
    fitted = fit("coolant_temperature", COOLANT, [coolant_point(degc, ohm) for degc, ohm in table.items()])
    assert fitted.spare == 2
    assert max(map(abs, fitted.residuals)) < 0.1
    assert 0.0 < fitted.plus_minus < 0.3


def test_a_table_is_its_points() -> None:
    wiring = replace(MIXTURE, convert="table", points=((0.0, 10.0), (5.0, 20.0)))
    fitted = fit("air_fuel_ratio", wiring, [Point(16.0, 1.5), Point(12.0, 0.5), Point(20.0, 2.5)])
    assert fitted.conversion["points"] == [[1.0, 12.0], [3.0, 16.0], [5.0, 20.0]]


def test_the_gauges_own_error_is_part_of_the_result() -> None:
    points = [Point(0.0, 0.25, NOISE_V, 5.0), Point(50.0, 1.25, NOISE_V, 5.0)]
    assert fit("fuel_pressure", PRESSURE, points, gauge_error=1.0).plus_minus == pytest.approx(1.0, abs=0.01)


@given(st.floats(9.0, 13.0), st.lists(st.floats(9.0, 16.0), min_size=2, max_size=6, unique_by=lambda v: round(v / 0.7)))
def test_points_on_a_line_are_found_again(ratio: float, volts: list[float]) -> None:
    spread = [v for i, v in enumerate(volts) if all(abs(v - other) > 0.4 for other in volts[:i])]
    fitted = fit("battery_voltage", BATTERY, [Point(v, v / ratio, NOISE_V) for v in spread])
    assert fitted.conversion["ratio"] == pytest.approx(ratio, rel=1e-5)


def test_ohms_are_those_of_the_divider() -> None:
    assert ohms(COOLANT, coolant_point(20.0, 2502.0)) == pytest.approx(2502.0, rel=1e-9)
    assert np.isnan(ohms(COOLANT, Point(0.0, 2.6, 0.0, 5.0)))


# Refusals


@pytest.mark.parametrize(
    ("name", "points", "sentence"),
    [
        ("fuel_pressure", [], "needs 1 or more points, far apart; it got 0"),
        ("air_fuel_ratio", [Point(14.7, 1.2)], "this kind of sensor needs 2 or more points"),
        ("fuel_pressure", [Point(50.0, 1.25, 0, 5.0), Point(50.0, 1.26, 0, 5.0)], "too close together"),
        ("fuel_pressure", [Point(0.0, 0.25, 1e-3, 5.0), Point(50.0, 0.251, 1e-3, 5.0)], "has not moved between"),
        ("fuel_pressure", [Point(0.0, 1.25, 0, 5.0), Point(50.0, 0.25, 0, 5.0)], "were two points swapped"),
        ("coolant_temperature", [coolant_point(100.0, 5975.0), coolant_point(0.0, 175.7)], "NTC has fewer ohms"),
        ("coolant_temperature", [coolant_point(0.0, 5975.0), coolant_point(900.0, 175.7)], "it is -45 to 180 degC"),
        ("coolant_temperature", [Point(20.0, 2.6, 0, 5.0)] * 2, "open or a shorted wire"),
        ("battery_voltage", [Point(12.6, 3.4)], "at its upper end"),
        ("battery_voltage", [Point(12.6, 0.001)], "0 V tells no ratio"),
        ("battery_voltage", [Point(12.6, 2.1)], "true values are in V, else correct ratio"),
        ("fuel_pressure", [Point(0.0, 0.25, 0, 5.0), Point(3.4, 1.25, 0, 5.0)], "are in psi"),  # 3.4 bar, as it happens
        ("fuel_pressure", [Point(0.0, 0.02, 0, 5.0)], "an end of its range"),
        (
            "fuel_pressure",
            [Point(0.0, 0.25, 0, 5.0), Point(50.0, 1.25, 0, 5.0), Point(80.0, 2.2, 0, 5.0)],
            "off the line of the others",
        ),
    ],
)  # fmt: skip
def test_nonsense_is_refused_with_its_reason(name: str, points: list[Point], sentence: str) -> None:
    with pytest.raises(CalibrationError, match=sentence) as caught:
        fit(name, CHANNELS[name], points)
    assert "\n" not in str(caught.value)
