"""Output referred to standard air, and wheels to crank."""

import pytest

from logger.analysis.pull.air import at_crank, correction, vapour_pressure
from logger.errors import AnalysisError

INHG_KPA = 3.386389  # conventional inch of mercury


@pytest.mark.parametrize(
    ("pressure_kpa", "degc", "vapour_kpa", "factor"),
    [
        # A worked example of SAE J1349 (June 1990) on wahiduddin.net (calculator of correction factors): 85 °F,
        # 24.71 inHg absolute, 0.121 inHg vapour: 1.233.
        (24.71 * INHG_KPA, (85 - 32) / 1.8, 0.121 * INHG_KPA, 1.233),
        # ajdesigner.com, the same formula: 850 mbar dry at 25 °C makes about 1.19 (350 hp become some 416).
        (85.0, 25.0, 0.0, 1.194),
        # The standard's reference air: no correction.
        (99.0, 25.0, 0.0, 1.0),
        # By hand: 100 kPa with 1.5 kPa vapour at 30 °C.
        (100.0, 30.0, 1.5, 1.0159),
    ],
)
def test_sae_j1349_worked_examples(pressure_kpa: float, degc: float, vapour_kpa: float, factor: float) -> None:
    assert correction("SAE J1349", pressure_kpa, degc, vapour_kpa) == pytest.approx(factor, abs=1e-3)


@pytest.mark.parametrize(
    ("pressure_kpa", "degc", "factor"), [(98.5, 30.0, 1.0162), (85.0, 25.0, 1.2008), (99.0, 25.0, 1.0)]
)
def test_iso_1585_by_hand(pressure_kpa: float, degc: float, factor: float) -> None:
    # Exponents 1.2 and 0.6 as quoted from Bosch, Automotive Handbook, 5th ed., p. 415.
    assert correction("ISO 1585", pressure_kpa, degc) == pytest.approx(factor, abs=1e-3)


def test_iso_exponents_one_at_a_time() -> None:
    # Quoted with the same source: 100 to 80 °F alone 1.022 (kelvin as °C + 273), 30 to 29.5 inHg alone 1.020.
    hot, cool = (correction("ISO 1585", 99.0, (f - 32) / 1.8) for f in (100.0, 80.0))
    assert hot / cool == pytest.approx(1.022, abs=1e-3)
    low, high = (correction("ISO 1585", inhg * INHG_KPA) for inhg in (29.5, 30.0))
    assert low / high == pytest.approx(1.020, abs=1e-3)


@pytest.mark.parametrize(
    ("pressure_kpa", "degc", "factor"), [(100.0, 30.0, 1.0301), (99.0, 25.0, 1.0319), (101.3, 20.0, 1.0)]
)
def test_din_70020_by_hand(pressure_kpa: float, degc: float, factor: float) -> None:
    # Reference 1013 mbar and 20 °C as given on an owners' club's technical page.
    assert correction("DIN 70020", pressure_kpa, degc) == pytest.approx(factor, abs=1e-3)


def test_some_122_at_the_wheels_of_a_rear_drive_car_stand_for_about_140_at_the_crank() -> None:
    # Common practice, no source.
    assert at_crank(122.0) == pytest.approx(140.0, abs=1.0)


@pytest.mark.parametrize(("wheels", "loss", "crank"), [(300.0, 0.15, 352.9), (340.0, 0.15, 400.0)])
def test_wheels_to_crank_by_a_stated_share(wheels: float, loss: float, crank: float) -> None:
    # The 15 per cent of a rear-drive car as estimated on calchorsepower.com.
    assert at_crank(wheels, loss) == pytest.approx(crank, abs=0.05)


def test_a_barometer_reduced_to_sea_level_in_hectopascals_is_refused_with_what_to_enter() -> None:
    # Definition of the input, not a published number.
    with pytest.raises(AnalysisError, match="not reduced to sea level"):
        correction(pressure_kpa=1013.0)
    with pytest.raises(AnalysisError, match="share from 0 to below 1"):
        at_crank(122.0, 15.0)


@pytest.mark.parametrize(("degc", "kpa"), [(0.0, 0.6112), (20.0, 2.339), (40.0, 7.384)])
def test_vapour_pressure_of_saturated_air(degc: float, kpa: float) -> None:
    # Steam tables (IAPWS), saturation pressure over water: from memory.
    assert vapour_pressure(degc, 100.0) == pytest.approx(kpa, rel=4e-3)
