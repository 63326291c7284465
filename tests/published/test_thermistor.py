"""Steinhart-Hart and beta equations against two published resistance tables and one set of coefficients."""

import numpy as np
import pytest

from logger.conversion import Thermistor

# Nominal ohms of a passenger car's coolant sensor, from its 2020 workshop manual as published at lemon-manuals.la,
# section "Sensor, Coolant Temperature - Operation".
COOLANT = {
    -40: 48805, -30: 27414, -20: 15971, -10: 9620, 0: 5975, 10: 3816, 20: 2502, 25: 2044, 30: 1679, 40: 1152,
    50: 806.9, 60: 575.8, 70: 418.1, 80: 308.6, 90: 231.2, 100: 175.7, 110: 135.2, 120: 105.4, 130: 83.1, 140: 66.2,
}  # fmt: skip

# Amwei Thermistor, part AMF58B-103F3950, R-T table at amwei.com, kilo-ohms.
GENERIC_10K = {
    -40: 283.3811, -20: 90.9311, -10: 53.9812, 0: 32.5807, 10: 20.0003, 20: 12.5266, 25: 10.0, 30: 8.0338, 35: 6.4976,
    80: 1.2429, 90: 0.9069, 100: 0.6730, 110: 0.5071, 120: 0.3874, 125: 0.3402, 150: 0.1851,
}  # fmt: skip

PULL_UP = 1000.0


def test_three_points_of_the_coolant_table_give_all_of_it_within_0_05_degrees() -> None:
    thermistor = Thermistor.from_points([(t, COOLANT[t]) for t in (-20, 40, 120)], PULL_UP)
    error = thermistor.temperature(list(COOLANT.values())) - np.array(list(COOLANT))
    assert np.abs(error).max() < 0.05


def test_a_two_point_beta_is_good_to_a_degree_only_between_0_and_125_degrees() -> None:
    # Beta form of the same table from its 20 and 100 degC points.
    beta = np.log(COOLANT[20] / COOLANT[100]) / (1 / 293.15 - 1 / 373.15)
    assert beta == pytest.approx(3631.8, abs=0.1)
    r25 = COOLANT[20] * np.exp(beta * (1 / 298.15 - 1 / 293.15))
    thermistor = Thermistor.from_beta(beta, r25, PULL_UP)
    temperature = np.array(list(COOLANT))
    error = thermistor.temperature(list(COOLANT.values())) - temperature
    inside = (temperature >= 0) & (temperature <= 125)
    assert np.abs(error[inside]).max() < 1.0
    assert error[temperature == 140] == pytest.approx(1.6, abs=0.1)
    assert error[temperature == -40] == pytest.approx(3.3, abs=0.1)


def test_three_points_of_a_generic_10k_table_give_all_of_it_within_0_8_degrees() -> None:
    thermistor = Thermistor.from_points([(t, GENERIC_10K[t] * 1e3) for t in (-20, 25, 120)], PULL_UP)
    error = thermistor.temperature([1e3 * kilo_ohm for kilo_ohm in GENERIC_10K.values()]) - np.array(list(GENERIC_10K))
    inside = np.array(list(GENERIC_10K)) <= 125
    # That maker's table is itself not a Steinhart-Hart curve; three points leave 0.75 degrees at -40.
    assert np.abs(error[inside]).max() < 0.8


def test_the_printed_beta_of_that_part_is_off_by_what_its_own_table_says() -> None:
    # The table's own beta between 25 and 100 degC is 4003 K; the printed 3950 K reads 1.3 degrees high at 100 degC.
    thermistor = Thermistor.from_beta(3950.0, 10_000.0, PULL_UP)
    assert thermistor.temperature(673.0) - 100.0 == pytest.approx(1.3, abs=0.1)
    assert thermistor.temperature(32580.7) - 0.0 == pytest.approx(0.6, abs=0.1)


# Widely copied coefficients of a 10 kohm NTC (module sheet at studylibfr.com), with the resistances they were made for.
@pytest.mark.parametrize(("ohm", "degc"), [(32650, 0.0), (10000, 25.0), (3603, 49.986), (680, 99.921)])
def test_widely_used_coefficients_give_their_sheets_temperatures(ohm: float, degc: float) -> None:
    thermistor = Thermistor(PULL_UP, 1.129148e-3, 2.34125e-4, 8.76741e-8)
    assert thermistor.temperature(ohm) == pytest.approx(degc, abs=0.005)


# A 2002 workshop manual, section "Coolant temperature sensor (202)": ohms, and volts of 5 V through 1.0 kohm.
@pytest.mark.parametrize(("ohm", "volts"), [(25_000, 4.8), (2_500, 3.6), (600, 1.9), (250, 1.0), (150, 0.65)])
def test_the_pull_up_divider_gives_the_manuals_volts(ohm: float, volts: float) -> None:
    thermistor = Thermistor.from_points([(t, COOLANT[t]) for t in (-20, 40, 120)], PULL_UP)
    supply = np.array(5.0)
    got = thermistor.to_volts(thermistor.temperature(ohm), supply)
    assert got == pytest.approx(volts, abs=0.05)
    assert thermistor.to_si(got, supply) == pytest.approx(float(thermistor.temperature(ohm)), abs=1e-6)
