"""Engine output referred to standard air, and from wheels to crank.

    correction(standard, pressure_kpa, temperature_degc, vapour_kpa=0) -> factor by which measured torque is multiplied
    vapour_pressure(temperature_degc, humidity_percent) -> kPa
    at_crank(at_wheels, loss) -> torque or power before the driveline

| standard | reference | factor for a naturally aspirated petrol engine |
|---|---|---|
| SAE J1349 (June 1990) | 99 kPa dry, 25 °C | 1.18 · (99 / Pd) · √((t + 273) / 298) − 0.18 |
| ISO 1585 | 99 kPa dry, 25 °C | (99 / Pd)^1.2 · ((t + 273) / 298)^0.6 |
| DIN 70020 | 101.3 kPa, 20 °C | (101.3 / P) · √((t + 273) / 293) |

Pd is the dry part of the air's pressure: barometer less vapour. A fixed share is not how a driveline really loses
power (part of its drag goes with speed, part with torque): the share is a convention, and is always stated with the
result. Common practice, no source: 12 to 18 per cent for rear drive with a manual gearbox, some 122 at the wheels for
140 at the crank.
"""

from math import exp
from typing import Literal

from logger.errors import AnalysisError

Standard = Literal["SAE J1349", "ISO 1585", "DIN 70020"]

REAR_DRIVE_LOSS = 0.13
DEFAULT_PRESSURE_KPA = 99.0
DEFAULT_TEMPERATURE_DEGC = 25.0


def correction(
    standard: Standard = "SAE J1349",
    pressure_kpa: float = DEFAULT_PRESSURE_KPA,
    temperature_degc: float = DEFAULT_TEMPERATURE_DEGC,
    vapour_kpa: float = 0.0,
) -> float:
    """The factor; with the defaults (reference air of SAE and ISO) it is 1.

    pressure_kpa: absolute at the place, not reduced to sea level. Raises AnalysisError on air that no engine breathes.
    """
    dry = pressure_kpa - vapour_kpa
    if not 40 <= pressure_kpa <= 120 or not 0 <= vapour_kpa <= 15 or not -50 <= temperature_degc <= 100:
        raise AnalysisError(
            f"air of {pressure_kpa:g} kPa, {vapour_kpa:g} kPa vapour, {temperature_degc:g} °C: expected 40 to 120 kPa "
            "absolute (not reduced to sea level), vapour from 0 to 15 kPa, and -50 to 100 °C"
        )
    kelvin = temperature_degc + 273.0
    if standard == "SAE J1349":
        return float(1.18 * (99.0 / dry) * (kelvin / 298.0) ** 0.5 - 0.18)
    if standard == "ISO 1585":
        return float((99.0 / dry) ** 1.2 * (kelvin / 298.0) ** 0.6)
    if standard == "DIN 70020":
        return float((101.3 / pressure_kpa) * (kelvin / 293.0) ** 0.5)
    raise AnalysisError(f"standard {standard!r}: known are SAE J1349, ISO 1585 and DIN 70020")


def vapour_pressure(temperature_degc: float, humidity_percent: float) -> float:
    """Partial pressure of the water in the air, kPa (O. A. Alduchov & R. E. Eskridge, J. Appl. Meteorol. 35 (1996)
    601-609: within 0.4 % from -40 to 50 °C). Raises AnalysisError on a humidity that there is not."""
    if not 0 <= humidity_percent <= 100:
        raise AnalysisError(f"relative humidity {humidity_percent:g} %: expected 0 to 100 %")
    saturated = 0.61094 * exp(17.625 * temperature_degc / (temperature_degc + 243.04))
    return float(humidity_percent / 100.0 * saturated)


def at_crank(at_wheels: float, loss: float = REAR_DRIVE_LOSS) -> float:
    """Before a driveline that loses the share `loss` (0 to below 1): wheels / (1 - loss)."""
    if not 0 <= loss < 1:
        raise AnalysisError(f"driveline loss {loss:g}: expected a share from 0 to below 1, such as 0.13")
    return at_wheels / (1.0 - loss)
