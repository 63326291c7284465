"""Display units: everything stored and computed is SI; a device may choose how it reads.

The factors are those of logger.conversion.
"""

from dataclasses import dataclass
from typing import Literal

from starlette.requests import Request

from logger.conversion import KPA_PER_PSI, to_si

PressureUnit = Literal["kPa", "bar", "psi"]
TemperatureUnit = Literal["degC", "degF"]
PRESSURE: dict[str, tuple[float, int]] = {"kPa": (1.0, 0), "bar": (0.01, 2), "psi": (1 / KPA_PER_PSI, 1)}
SYMBOLS = {name: name for name in ("", "V", "g", "%", "kPa", "bar", "psi")}
SYMBOLS |= {"degC": "°C", "degF": "°F", "rpm": "1/min"}


@dataclass(frozen=True, slots=True)
class Units:
    """What one device wants to read."""

    pressure: str = "kPa"
    temperature: str = "degC"

    def to_si(self, value: float, si: str) -> float:
        """A number in the unit that this device shows for an SI unit, as SI."""
        return float(to_si(value, {"kPa": self.pressure, "degC": self.temperature}.get(si, si or "ratio")))

    def show_temperature(self, celsius: float) -> str:
        value = celsius * 1.8 + 32.0 if self.temperature == "degF" else celsius
        return f"{value:.0f} {SYMBOLS[self.temperature]}"

    def show_pressure(self, kpa: float) -> str:
        factor, digits = PRESSURE[self.pressure]
        return f"{kpa * factor:.{digits}f} {self.pressure}"


def unit_of(si: str, units: Units) -> str:
    """The symbol in which a device reads values of an SI unit."""
    return SYMBOLS.get({"kPa": units.pressure, "degC": units.temperature}.get(si, si), "")


def units_of(request: Request, default: Units) -> Units:
    """The device's choice from its cookies, or the settings' where it made none or an unknown one."""
    pressure = request.cookies.get("sl_pressure", "")
    temperature = request.cookies.get("sl_temperature", "")
    return Units(
        pressure if pressure in PRESSURE else default.pressure,
        temperature if temperature in ("degC", "degF") else default.temperature,
    )


def reading(si: str, value: float, units: Units) -> str:
    """A value with its unit, the way the device wants to read it."""
    if si == "kPa":
        return units.show_pressure(value)
    if si == "degC":
        return units.show_temperature(value)
    digits = 0 if si in ("rpm", "%") else 2
    return f"{round(value, digits) + 0.0:.{digits}f} {unit_of(si, units)}".rstrip()  # + 0.0: no minus before a zero
