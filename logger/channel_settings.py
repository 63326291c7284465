"""One section [channels.NAME] of the settings: a sensor on an input of an ADC, and how its volts become values."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from logger.channels import CHANNELS
from logger.conversion import (
    FULL_SCALE_V,
    Calibration,
    Curve,
    Divider,
    Linear,
    Ratiometric,
    Table,
    Thermistor,
    to_si,
    units_for,
)
from logger.errors import SettingsError
from logger.rules import key, rules_of, take_table


@dataclass(frozen=True, slots=True)
class ChannelSettings:
    """[channels.NAME]: one ADC input and what its volts mean."""

    chip: int = key("word", "address of the ADC", unit="I2C address", words=(0x48, 0x49, 0x4A, 0x4B))
    input: int = key("word", "input of that chip, A0 to A3", words=(0, 1, 2, 3))
    unit: str = key("text", "unit of the numbers given here, such as V, kPa, bar, psi, degC, degF, %")
    convert: str = key("word", "how volts become values", words=("divider", "ratiometric", "ntc", "linear", "table"))
    rate_hz: float = key("number", "samples per second", 100.0, low=0.1, high=250.0, unit="Hz")
    gain: float = key("word", "ADC gain; 1 reads up to 4.096 V", 1.0, words=tuple(FULL_SCALE_V))
    ratio: float = key("number", "volts in the car per volt at the input", 1.0, low=0.001, high=1000.0)
    full_scale: float | None = key("number", "ratiometric: value at 90 % of supply", None, low=1e-6, high=1e6)
    zero_fraction: float = key("number", "ratiometric: share of the supply at zero", 0.1, low=-1.0, high=1.0)
    span_fraction: float = key("number", "ratiometric: share from zero to full scale", 0.8, low=0.01, high=2.0)
    zero: float = key("number", "linear: value at 0 V", 0.0, low=-1e6, high=1e6)
    per_volt: float | None = key("number", "linear: change of the value for each volt", None, low=-1e6, high=1e6)
    pull_up_ohm: float | None = key("number", "ntc: pull-up to the 5 V supply", None, low=1.0, high=1e7, unit="ohm")
    load_ohm: float | None = key("number", "ntc: load of the input", None, low=100.0, high=1e9, unit="ohm")
    coefficients: tuple[float, ...] | None = key("numbers", "ntc: the three Steinhart-Hart coefficients a, b, c", None)
    beta: float | None = key("number", "ntc: beta, with r25_ohm", None, low=100.0, high=20000.0, unit="K")
    r25_ohm: float | None = key("number", "ntc: resistance at 25 degC", None, low=1.0, high=1e7, unit="ohm")
    points: tuple[tuple[float, float], ...] | None = key(
        "pairs", "table: [volts, value] pairs; ntc: [temperature, ohm] pairs, three or more", None
    )
    curve: str | None = key("text", "name of a sensor curve, for the keys not given here", None)

    @property
    def calibration(self) -> Calibration:
        """The chain from counts to SI values. Raises ValueError, naming the key, where one is missing or wrong."""
        return Calibration(self._curve(), self.gain, self.ratio)

    def _curve(self) -> Curve:
        if self.convert == "divider":
            return Divider()
        if self.convert == "ratiometric":
            nothing = float(to_si(0.0, self.unit))
            full_scale = float(to_si(self._need("full_scale"), self.unit)) - nothing
            # 0 degF is no 0 degC: the SI value is 0 at another share of the supply.
            zero = self.zero_fraction - nothing * self.span_fraction / full_scale
            return Ratiometric(full_scale, zero, self.span_fraction)
        if self.convert == "linear":
            per_volt = float(to_si(self._need("per_volt"), self.unit) - to_si(0.0, self.unit))
            if per_volt == 0.0:
                raise ValueError("per_volt is 0; a sensor that never moves cannot be read")
            return Linear(float(to_si(self.zero, self.unit)), per_volt)
        if self.convert == "table":
            return Table(tuple((volts, float(to_si(value, self.unit))) for volts, value in self._need("points")))
        return self._thermistor()

    def _thermistor(self) -> Thermistor:
        pull_up = self._need("pull_up_ohm")
        if self.coefficients is not None:
            if len(self.coefficients) != 3:
                raise ValueError(f"coefficients has {len(self.coefficients)} numbers; write three, [a, b, c]")
            return Thermistor(pull_up, *self.coefficients, load_ohm=self.load_ohm)
        if self.beta is not None:
            return Thermistor.from_beta(self.beta, self._need("r25_ohm"), pull_up, load_ohm=self.load_ohm)
        points = [(float(to_si(value, self.unit)), ohm) for value, ohm in self._need("points")]
        return Thermistor.from_points(points, pull_up, load_ohm=self.load_ohm)

    def _need(self, name: str) -> Any:
        value = getattr(self, name)
        if value is None:
            raise ValueError(f'{name} is missing; convert = "{self.convert}" needs it')
        return value


def take_channel(where: str, name: str, table: Any) -> ChannelSettings:
    """Section [channels.NAME] of a parsed file. Raises SettingsError naming `where`, the key and what is allowed."""
    known = [channel.name for channel in CHANNELS.values() if channel.kind == "sampled"]
    if name not in known:
        raise SettingsError(f"{where}: [channels.{name}] is an unknown channel; known are {', '.join(known)}")
    channel = ChannelSettings(
        **take_table(where, f"channels.{name}", _with_curve(where, name, table), rules_of(ChannelSettings))
    )
    units = units_for(CHANNELS[name].unit)
    if channel.unit not in units:
        raise SettingsError(
            f"{where}: channels.{name}.unit is {channel.unit!r}; allowed for {name} are {', '.join(units)}"
        )
    try:
        _ = channel.calibration
    except ValueError as error:
        raise SettingsError(f"{where}: [channels.{name}] {error}") from error
    return channel


def _with_curve(where: str, name: str, table: Any) -> Any:
    """The table with the named curve's keys where it has none of its own, and the name taken out: a snapshot carries
    the numbers. A thermistor's law is taken as a whole or not at all."""
    if not isinstance(table, Mapping) or not isinstance(table.get("curve"), str):
        return table
    # Imported only where a curve is named: it costs the recorder's start more than all other settings together.
    from logger.curves import load as load_curve

    try:
        curve = load_curve(table["curve"]).channel
    except SettingsError as error:
        raise SettingsError(f"{where}: channels.{name}.{error}") from error
    own = {key: value for key, value in table.items() if key != "curve"}
    if own.get("unit", curve["unit"]) != curve["unit"]:
        raise SettingsError(
            f"{where}: channels.{name}.unit is {own['unit']!r}, but its curve is in {curve['unit']}; leave unit out"
        )
    law = {"coefficients", "beta", "r25_ohm", "points"}
    return {key: value for key, value in curve.items() if key not in law or not own.keys() & law} | own
