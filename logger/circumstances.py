"""What people enter about an event besides repairs and notes: fuel, road, weather, and what makes pulls absolute.

    checked({"road": "wet", "air_pressure_kpa": "97.4"}) -> {"road": "wet", "air_pressure_kpa": 97.4}

One table of name, unit, range and help feeds the command, the form on the page and the errors.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from logger.errors import SettingsError

Value = str | float


@dataclass(frozen=True, slots=True)
class Circumstance:
    """One thing to enter: a word out of `words`, or a number from `low` to `high` in `unit`."""

    name: str
    label: str
    help: str
    unit: str = ""
    low: float = 0.0
    high: float = 0.0
    words: tuple[str, ...] = ()

    def told(self, value: Value) -> str:
        """An entry for people, such as "air pressure 97.4 kPa"."""
        if isinstance(value, str):
            return f"{self.label} {value.replace('_', ' ')}"
        return f"{self.label} {value:g} {self.unit}".rstrip()

    @property
    def allowed(self) -> str:
        """What may be entered, in words."""
        if self.words:
            return ", ".join(self.words)
        return f"{self.low:g} to {self.high:g}{' ' if self.unit else ''}{self.unit}"


_TABLE = (
    Circumstance("fuel", "fuel", "how full the tank was", words=("low", "quarter", "half", "three_quarters", "full")),
    Circumstance("road", "road", "what the road was like", words=("dry", "damp", "wet")),
    Circumstance(
        "air_pressure_kpa", "air pressure", "air pressure at the place, not reduced to sea level", "kPa", 40.0, 120.0
    ),
    Circumstance("air_temperature_degc", "air temperature", "air temperature", "°C", -50.0, 60.0),
    Circumstance("air_humidity_percent", "humidity", "relative humidity of the air", "%", 0.0, 100.0),
    Circumstance("mass_kg", "mass", "mass of car and crew, for torque in N·m", "kg", 100.0, 20_000.0),
    Circumstance(
        "metres_per_turn",
        "way per turn of the crank",
        "way of the car per turn of the crank, in the gear of the pulls",
        "m",
        0.05,
        10.0,
    ),
    Circumstance("drum_inertia_kg_m2", "drum inertia", "inertia of the dyno's drums", "kg·m²", 0.01, 100_000.0),
    Circumstance(
        "drum_turns_per_turn",
        "drum turns per turn of the crank",
        "turns of the drum per turn of the crank",
        "",
        0.001,
        100.0,
    ),
    Circumstance("driveline_loss", "driveline loss", "share of the power lost between crank and wheels", "", 0.0, 0.5),
)

CIRCUMSTANCES: dict[str, Circumstance] = {one.name: one for one in _TABLE}


def checked(entered: Mapping[str, object]) -> dict[str, Value]:
    """The same with numbers as floats. Raises SettingsError on a name that is not known or a value not allowed."""
    return {name: _checked(name, value) for name, value in entered.items()}


def _checked(name: str, value: object) -> Value:
    known = CIRCUMSTANCES.get(name)
    if known is None:
        raise SettingsError(f"{name!r} cannot be entered; known are {', '.join(CIRCUMSTANCES)}")
    called = name if name == known.label else f"{known.label} ({name})"
    if known.words:
        if value not in known.words:
            raise SettingsError(f"{called} is {value!r}; allowed are {known.allowed}")
        return str(value)
    try:
        number = float(str(value).strip().replace(",", "."))
    except ValueError:
        number = math.nan
    if not known.low <= number <= known.high:
        raise SettingsError(f"{called} is {value!r}; allowed is {known.allowed}")
    return number
