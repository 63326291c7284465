"""The chain from counts to SI values, and back."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.conversion import (
    Calibration,
    Divider,
    Linear,
    Ratiometric,
    Table,
    Thermistor,
    counts_to_g,
    counts_to_volts,
    mounting_matrix,
    volts_to_counts,
)

COOLANT = Thermistor.from_points([(-20.0, 15971.0), (40.0, 1152.0), (120.0, 105.4)], 2490.0)
CALIBRATIONS = {
    "divider": Calibration(Divider(), 1.0, 11.0),
    "ratiometric": Calibration(Ratiometric(689.5), 1.0, 2.0),
    "linear": Calibration(Linear(10.0, 2.0), 1.0, 2.0),
    "falling table": Calibration(Table(((0.5, 100.0), (2.0, 40.0), (4.5, 0.0))), 1.0, 2.0),
    "thermistor": Calibration(COOLANT, 1.0, 2.0),
}


@pytest.mark.parametrize("name", CALIBRATIONS)
def test_counts_come_back_from_their_own_values(name: str) -> None:
    calibration = CALIBRATIONS[name]
    counts = np.arange(800, 18000, 100, dtype=np.int16)
    supply = np.linspace(4.7, 5.1, counts.size)
    assert (calibration.to_counts(calibration.to_si(counts, supply), supply) == counts).all()


@given(st.integers(-32768, 32767), st.sampled_from([0.667, 1.0, 2.0, 4.0, 8.0, 16.0]))
def test_every_code_comes_back_from_its_volts(code: int, gain: float) -> None:
    assert int(volts_to_counts(counts_to_volts(code, gain), gain)) == code


def test_a_battery_behind_eleven_to_one_reads_twelve_volts() -> None:
    assert CALIBRATIONS["divider"].to_si(8727) == pytest.approx(12.0, abs=0.001)  # 8727 * 125 uV * 11


def test_without_a_measured_supply_a_ratiometric_sensor_is_read_against_five_volts() -> None:
    assert CALIBRATIONS["ratiometric"].to_si(10000) == pytest.approx(344.75)  # 1.25 V * 2 = half of 5 V


def test_a_supply_of_zero_gives_no_value() -> None:
    assert np.isnan(CALIBRATIONS["ratiometric"].to_si(10000, 0.0))


def test_an_open_thermistor_wire_gives_no_temperature() -> None:
    assert np.isnan(CALIBRATIONS["thermistor"].to_si(20000, 5.0))  # 2.5 V * 2: the whole supply


def test_a_shorted_thermistor_gives_no_temperature() -> None:
    assert np.isnan(CALIBRATIONS["thermistor"].to_si(0, 5.0))


def test_the_inputs_own_load_on_a_thermistor_is_taken_out() -> None:
    loaded = Thermistor(COOLANT.pull_up_ohm, COOLANT.a, COOLANT.b, COOLANT.c, load_ohm=20_000.0)
    supply = np.array(5.0)
    volts = loaded.to_volts(np.array(-20.0), supply)
    assert loaded.to_si(volts, supply) == pytest.approx(-20.0, abs=1e-6)
    # 15971 ohm beside 20 kohm are 8880 ohm: without knowing of the load it would read as -8.4 degC.
    assert COOLANT.to_si(volts, supply) == pytest.approx(-8.36, abs=0.01)


def test_a_table_goes_on_straight_beyond_its_ends() -> None:
    table = Table(((0.0, 0.0), (1.0, 10.0), (2.0, 30.0)))
    got = table.to_si(np.array([-1.0, 0.5, 1.5, 3.0]), np.array(5.0))
    assert got.tolist() == [-10.0, 5.0, 20.0, 50.0]


@pytest.mark.parametrize("points", [(), ((1.0, 2.0),), ((1.0, 1.0), (0.5, 2.0)), ((0.0, 1.0), (1.0, 2.0), (2.0, 1.5))])
def test_a_table_that_cannot_be_read_backwards_is_refused(points: tuple[tuple[float, float], ...]) -> None:
    with pytest.raises(ValueError, match="a table needs two points or more"):
        Table(points)


def test_nan_stays_nan_through_the_chain() -> None:
    assert np.isnan(CALIBRATIONS["linear"].to_si(np.array([np.nan])))


def test_a_chip_mounted_on_its_side_reads_in_car_axes() -> None:
    # Chip's x points left, its y backwards: forward is -y, left is +x.
    got = counts_to_g(np.array([[256, 0, 0], [0, 256, 0], [0, 0, 256]]), ("-y", "+x", "+z"))
    assert got.tolist() == [[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]


@pytest.mark.parametrize(
    ("mounting", "problem"),
    [
        (("+x", "+y", "up"), "'up' is not one of"),
        (("+x", "+x", "+z"), "must appear once"),
        (("+x", "-y", "+z"), "mirror image"),
    ],
)
def test_a_mounting_that_cannot_be_is_refused(mounting: tuple[str, ...], problem: str) -> None:
    with pytest.raises(ValueError, match=problem):
        mounting_matrix(mounting)
