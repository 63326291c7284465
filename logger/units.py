"""How whoever reads wants to read. Everything stored, computed and said by the analysis is SI; a person's own units of
pressure and temperature come in only where something is shown or entered.

    Units(pressure="psi").said("fuel pressure fell by 80 kPa") -> "fuel pressure fell by 11.6 psi"

The factors are those of logger.conversion.
"""

import math
import re
from dataclasses import dataclass

from logger.conversion import KPA_PER_PSI, from_si, to_si
from logger.settings import DisplaySettings

PRESSURE: dict[str, tuple[float, int]] = {"kPa": (1.0, 0), "bar": (0.01, 2), "psi": (1 / KPA_PER_PSI, 1)}
SYMBOLS = {name: name for name in ("", "V", "g", "%", "kPa", "bar", "psi")}
SYMBOLS |= {"degC": "°C", "degF": "°F", "rpm": "1/min"}

_NUMBER = r"[-−]?\d+(?:\.\d+)?"
_SAID = re.compile(rf"(?<![\w.])({_NUMBER})(?:( to | and | → |-|–)({_NUMBER}))? (kPa|°C)(?!\w)")
"""A value or a range in a sentence. The analysis names no differences of temperature, which would go another way."""


@dataclass(frozen=True, slots=True)
class Units:
    """What one person, or one device, wants to read."""

    pressure: str = "kPa"
    temperature: str = "degC"

    @classmethod
    def of(cls, display: DisplaySettings) -> "Units":
        """What the settings say."""
        return cls(display.pressure, display.temperature)

    def chosen(self, si: str) -> str:
        """The unit in which values of an SI unit are read here."""
        return {"kPa": self.pressure, "degC": self.temperature}.get(si, si)

    def to_si(self, value: float, si: str) -> float:
        """A number in the unit that is shown for an SI unit, as SI."""
        return float(to_si(value, self.chosen(si) or "ratio"))

    def from_si(self, value: float, si: str) -> float:
        """The other way round."""
        return float(from_si(value, self.chosen(si) or "ratio"))

    def show_temperature(self, celsius: float) -> str:
        return f"{self.from_si(celsius, 'degC'):.0f} {SYMBOLS[self.temperature]}"

    def show_tenths(self, celsius: float) -> str:
        """A temperature beside limits of whole degrees: cut, not rounded, so that what is below a limit reads below."""
        tenths = math.floor(round(10.0 * self.from_si(celsius, "degC"), 6)) / 10.0
        return f"{tenths:.1f} {SYMBOLS[self.temperature]}"

    def show_pressure(self, kpa: float) -> str:
        factor, digits = PRESSURE[self.pressure]
        return f"{kpa * factor:.{digits}f} {self.pressure}"

    def said(self, sentence: str) -> str:
        """A sentence in SI with its pressures and temperatures in these units."""
        return _SAID.sub(self._said, sentence)

    def _said(self, found: re.Match[str]) -> str:
        low, joint, high, symbol = found.groups()
        si = "degC" if symbol == "°C" else "kPa"
        if self.chosen(si) == si:
            return found.group()
        ends = [self._number(low, si)] + ([self._number(high, si)] if high else [])
        return f"{(joint or '').join(ends)} {SYMBOLS[self.chosen(si)]}"

    def _number(self, written: str, si: str) -> str:
        """With as many digits more than the unit's own as the SI number had."""
        decimals = len(written.partition(".")[2]) + (PRESSURE[self.pressure][1] if si == "kPa" else 0)
        return f"{self.from_si(float(written.replace('−', '-')), si):.{decimals}f}"


SI = Units()


def unit_of(si: str, units: Units) -> str:
    """The symbol in which values of an SI unit are read."""
    return SYMBOLS.get(units.chosen(si), "")


def reading(si: str, value: float, units: Units) -> str:
    """A value with its unit, the way it is to be read."""
    if si == "kPa":
        return units.show_pressure(value)
    if si == "degC":
        return units.show_temperature(value)
    digits = 0 if si in ("rpm", "%") else 2
    return f"{round(value, digits) + 0.0:.{digits}f} {unit_of(si, units)}".rstrip()  # + 0.0: no minus before a zero
