"""Ratiometric pressure sensors and units of pressure, against published examples and defined units."""

import pytest

from logger.conversion import Calibration, Ratiometric, from_si, to_si


# onlinesensors.co.uk, "ratiometric pressure sensor": 10 / 50 / 90 % of supply at 0 / half / full range; 100 psi part.
@pytest.mark.parametrize(("volts", "psi"), [(0.5, 0.0), (2.5, 50.0), (4.5, 100.0)])
def test_a_100_psi_sensor_on_5_volts_reads_its_published_example(volts: float, psi: float) -> None:
    sensor = Ratiometric(float(to_si(100.0, "psi")))
    assert from_si(sensor.to_si(volts, 5.0), "psi") == pytest.approx(psi, abs=1e-9)  # type: ignore[arg-type]


# Arithmetic on the same law, P = full scale * (V / Vs - 0.1) / 0.8.
@pytest.mark.parametrize(("volts", "supply", "psi"), [(1.66, 5.0, 43.5), (2.45, 4.90, 75.0)])
def test_a_150_psi_sensor_is_read_against_its_own_supply(volts: float, supply: float, psi: float) -> None:
    sensor = Ratiometric(float(to_si(150.0, "psi")))
    assert from_si(sensor.to_si(volts, supply), "psi") == pytest.approx(psi, abs=0.01)  # type: ignore[arg-type]


def test_a_sagging_supply_is_not_taken_for_falling_pressure() -> None:
    calibration = Calibration(Ratiometric(689.476), gain=1.0, ratio=2.0)
    full, sagging = calibration.to_counts(300.0, 5.0), calibration.to_counts(300.0, 4.5)
    assert sagging < full
    assert calibration.to_si(sagging, 4.5) == pytest.approx(300.0, abs=0.1)


# NIST SP 811 (2008), appendix B.8 (values from memory; each follows from lb = 0.45359237 kg, in = 0.0254 m and
# g = 9.80665 m/s2).
@pytest.mark.parametrize(
    ("value", "unit", "kpa"),
    [(1.0, "psi", 6.894757293), (1.0, "bar", 100.0), (35.5, "psi", 244.764), (43.511, "psi", 300.0)],
)
def test_pressures_convert_by_the_standards_factors(value: float, unit: str, kpa: float) -> None:
    # Half of the last digit printed, in psi, is 0.0035 kPa.
    assert to_si(value, unit) == pytest.approx(kpa, abs=0.0035)
    assert from_si(kpa, unit) == pytest.approx(value, abs=0.0005)


# By definition of the degree Fahrenheit: water freezes at 32 and boils at 212.
@pytest.mark.parametrize(("degf", "degc"), [(32.0, 0.0), (212.0, 100.0), (-40.0, -40.0)])
def test_temperatures_convert_by_definition(degf: float, degc: float) -> None:
    assert to_si(degf, "degF") == pytest.approx(degc, abs=1e-9)
    assert from_si(degc, "degF") == pytest.approx(degf, abs=1e-9)
