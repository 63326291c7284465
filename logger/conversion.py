"""From ADC counts to SI values and back: pure arithmetic, no hardware.

::

    counts --gain--> volts at the chip's pin --ratio--> volts in the car --curve--> V, kPa, degC, %, ...

Recordings keep counts; whoever reads them applies this chain with the calibration then in force. The virtual car
applies it backwards. All arrays are float64 of shape (n,) unless said otherwise; NaN goes in and comes out as NaN.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from logger.event import FloatArray

CountArray = npt.NDArray[np.int16]

FULL_SCALE_V: dict[float, float] = {0.667: 6.144, 1.0: 4.096, 2.0: 2.048, 4.0: 1.024, 8.0: 0.512, 16.0: 0.256}
"""ADS1115 and ADS1015: volts at code 32768 for each gain (data sheet SBAS444, table of full-scale ranges). The 12-bit
part left-justifies its result in the same 16-bit word, so one scale serves both."""

COUNTS_PER_G = 256.0
"""ADXL345 in full resolution, the same in every range (data sheet, sensitivity)."""

NOMINAL_SUPPLY_V = 5.0
ZERO_C_IN_K = 273.15
KPA_PER_PSI = 0.45359237 * 9.80665 / 0.0254**2 / 1000.0
STOICHIOMETRIC_PETROL = 14.7

UNITS: dict[str, tuple[str, float, float]] = {
    "V": ("V", 1.0, 0.0),
    "mV": ("V", 1e-3, 0.0),
    "kPa": ("kPa", 1.0, 0.0),
    "bar": ("kPa", 100.0, 0.0),
    "psi": ("kPa", KPA_PER_PSI, 0.0),
    "degC": ("degC", 1.0, 0.0),
    "degF": ("degC", 5.0 / 9.0, -160.0 / 9.0),
    "%": ("%", 1.0, 0.0),
    "ratio": ("", 1.0, 0.0),
    "lambda": ("", STOICHIOMETRIC_PETROL, 0.0),
}
"""Unit a person may write: (SI unit of the channel, factor, offset), SI = factor * value + offset."""


def units_for(si_unit: str) -> tuple[str, ...]:
    """The units a person may write for a channel of that SI unit."""
    return tuple(unit for unit, (si, _, _) in UNITS.items() if si == si_unit)


def to_si(value: npt.ArrayLike, unit: str) -> FloatArray:
    """A value in one of UNITS as the channel's SI unit."""
    _, factor, offset = UNITS[unit]
    return np.asarray(value, dtype=np.float64) * factor + offset


def from_si(value: npt.ArrayLike, unit: str) -> FloatArray:
    """An SI value in one of UNITS."""
    _, factor, offset = UNITS[unit]
    return (np.asarray(value, dtype=np.float64) - offset) / factor


def counts_to_volts(counts: npt.ArrayLike, gain: float = 1.0) -> FloatArray:
    """Volts at the ADC's pin from its signed 16-bit word."""
    return np.asarray(counts, dtype=np.float64) * (FULL_SCALE_V[gain] / 32768.0)


def volts_to_counts(volts: npt.ArrayLike, gain: float = 1.0) -> CountArray:
    """The word an ideal ADS1115 gives for that voltage: rounded, clipped at both ends. NaN is refused by NumPy."""
    codes = np.rint(np.asarray(volts, dtype=np.float64) * (32768.0 / FULL_SCALE_V[gain]))
    return np.clip(codes, -32768, 32767).astype(np.int16)


def counts_to_g(counts: npt.ArrayLike, mounting: Sequence[str] = ("+x", "+y", "+z")) -> FloatArray:
    """Acceleration in car axes, g, shape (n, 3) (forward, left, up), from the chip's counts, shape (n, 3)."""
    return np.asarray(counts, dtype=np.float64) @ mounting_matrix(mounting).T / COUNTS_PER_G


def g_to_counts(acceleration_g: npt.ArrayLike, mounting: Sequence[str] = ("+x", "+y", "+z")) -> CountArray:
    """The counts of a chip so mounted, shape (n, 3), clipped at its 13 bits."""
    counts = np.rint(np.asarray(acceleration_g, dtype=np.float64) @ mounting_matrix(mounting) * COUNTS_PER_G)
    return np.clip(counts, -4096, 4095).astype(np.int16)


def mounting_matrix(mounting: Sequence[str]) -> FloatArray:
    """Rotation, shape (3, 3), from chip axes to car axes, from the chip axes that point forward, left and up.

    Raises ValueError where the three words are not axes, repeat one, or describe a mirror image.
    """
    matrix = np.zeros((3, 3))
    for row, word in enumerate(mounting):
        if len(word) != 2 or word[0] not in "+-" or word[1] not in "xyz" or row > 2:
            raise ValueError(f"{word!r} is not one of +x -x +y -y +z -z")
        matrix[row, "xyz".index(word[1])] = 1.0 if word[0] == "+" else -1.0
    determinant = float(np.linalg.det(matrix))
    if abs(determinant) < 0.5:
        raise ValueError("each of the chip's axes x, y and z must appear once")
    if determinant < 0.0:
        raise ValueError("these axes are a mirror image, which no mounting gives; check the sign of one of them")
    return matrix


class Curve(Protocol):
    """One sensor's law between volts in the car and SI values. `needs_supply`: it is read against the 5 V supply."""

    @property
    def needs_supply(self) -> bool: ...

    def to_si(self, volts: FloatArray, supply_v: FloatArray) -> FloatArray: ...

    def to_volts(self, value: FloatArray, supply_v: FloatArray) -> FloatArray: ...


@dataclass(frozen=True, slots=True)
class Divider:
    """A voltage taken down by resistors and nothing else; the ratio itself belongs to the input."""

    needs_supply: bool = field(default=False, init=False)

    def to_si(self, volts: FloatArray, supply_v: FloatArray) -> FloatArray:
        return volts

    def to_volts(self, value: FloatArray, supply_v: FloatArray) -> FloatArray:
        return value


@dataclass(frozen=True, slots=True)
class Ratiometric:
    """A sensor whose output is a share of its supply: value = full_scale * (V / Vs - zero) / span.

    With the usual 0.5-4.5 V on 5 V, zero = 0.1 and span = 0.8. Read against the measured supply, so that a sagging
    supply is not taken for a falling signal.
    """

    full_scale: float
    zero: float = 0.1
    span: float = 0.8
    needs_supply: bool = field(default=True, init=False)

    def to_si(self, volts: FloatArray, supply_v: FloatArray) -> FloatArray:
        return self.full_scale * (volts / supply_v - self.zero) / self.span

    def to_volts(self, value: FloatArray, supply_v: FloatArray) -> FloatArray:
        return supply_v * (self.zero + self.span * value / self.full_scale)


@dataclass(frozen=True, slots=True)
class Linear:
    """value = zero + per_volt * V."""

    zero: float
    per_volt: float
    needs_supply: bool = field(default=False, init=False)

    def to_si(self, volts: FloatArray, supply_v: FloatArray) -> FloatArray:
        return self.zero + self.per_volt * volts

    def to_volts(self, value: FloatArray, supply_v: FloatArray) -> FloatArray:
        return (value - self.zero) / self.per_volt


@dataclass(frozen=True, slots=True)
class Table:
    """Straight lines through (volts, value) points; the outer segments go on beyond the ends.

    Raises ValueError unless there are two points or more, with volts rising and values strictly rising or falling.
    """

    points: tuple[tuple[float, float], ...]
    needs_supply: bool = field(default=False, init=False)

    def __post_init__(self) -> None:
        volts, value = np.asarray(self.points, dtype=np.float64).T if len(self.points) > 1 else (np.empty(0),) * 2
        steps = np.diff(value)
        if volts.size < 2 or not (np.diff(volts) > 0).all() or not ((steps > 0).all() or (steps < 0).all()):
            raise ValueError("a table needs two points or more, volts rising, values always rising or always falling")

    def to_si(self, volts: FloatArray, supply_v: FloatArray) -> FloatArray:
        known, value = np.asarray(self.points, dtype=np.float64).T
        return _extend(volts, known, value)

    def to_volts(self, value: FloatArray, supply_v: FloatArray) -> FloatArray:
        volts, known = np.asarray(self.points, dtype=np.float64).T
        return _extend(value, *((known, volts) if known[0] < known[-1] else (known[::-1], volts[::-1])))


def _extend(x: FloatArray, known_x: FloatArray, known_y: FloatArray) -> FloatArray:
    """Linear interpolation that goes on straight beyond both ends, where np.interp would stand still."""
    slot = np.clip(np.searchsorted(known_x, x) - 1, 0, known_x.size - 2)
    slope = (known_y[slot + 1] - known_y[slot]) / (known_x[slot + 1] - known_x[slot])
    return np.asarray(known_y[slot] + slope * (x - known_x[slot]), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Thermistor:
    """An NTC to ground, pulled up to the 5 V supply, read as a share of that supply.

    1/T = a + b ln R + c (ln R)^3, T in kelvin, R in ohms (Steinhart & Hart, Deep-Sea Research 15, 1968).
    load_ohm: what the input itself loads the sensor with, if that matters. An open wire (output at the supply) and a
    short (output at zero) have no temperature: NaN.
    """

    pull_up_ohm: float
    a: float
    b: float
    c: float = 0.0
    load_ohm: float | None = None
    needs_supply: bool = field(default=True, init=False)

    @classmethod
    def from_points(cls, points: Sequence[tuple[float, float]], pull_up_ohm: float, **more: Any) -> "Thermistor":
        """Through three (degC, ohm) points; by least squares through more. Raises ValueError for fewer."""
        temperature, resistance = np.asarray(points, dtype=np.float64).T if len(points) > 2 else (np.empty(0),) * 2
        possible = (resistance > 0).all() and (temperature > -ZERO_C_IN_K).all()
        if temperature.size < 3 or not possible or len(set(resistance)) != resistance.size:
            raise ValueError("a thermistor needs three [temperature, ohm] points or more, each another resistance")
        log_r = np.log(resistance)
        terms = np.column_stack([np.ones_like(log_r), log_r, log_r**3])
        a, b, c = np.linalg.lstsq(terms, 1.0 / (temperature + ZERO_C_IN_K), rcond=None)[0]
        return cls(pull_up_ohm, float(a), float(b), float(c), **more)

    @classmethod
    def from_beta(cls, beta_k: float, r25_ohm: float, pull_up_ohm: float, **more: Any) -> "Thermistor":
        """From R = R25 exp(beta (1/T - 1/298.15 K)); good to about a degree between 0 and 125 degC, worse outside."""
        return cls(pull_up_ohm, 1.0 / 298.15 - float(np.log(r25_ohm)) / beta_k, 1.0 / beta_k, **more)

    def temperature(self, resistance: npt.ArrayLike) -> FloatArray:
        """degC from ohms; NaN for ohms that are not above zero and finite."""
        resistance = np.asarray(resistance, dtype=np.float64)
        possible = (resistance > 0.0) & np.isfinite(resistance)
        log_r = np.log(np.where(possible, resistance, 1.0))
        inverse = self.a + self.b * log_r + self.c * log_r**3
        return np.where(possible & (inverse > 0.0), 1.0 / np.where(inverse > 0.0, inverse, 1.0) - ZERO_C_IN_K, np.nan)

    def resistance(self, temperature: npt.ArrayLike) -> FloatArray:
        """Ohms from degC: the real root of the cubic."""
        inverse = 1.0 / (np.asarray(temperature, dtype=np.float64) + ZERO_C_IN_K)
        if self.c == 0.0:
            return np.asarray(np.exp((inverse - self.a) / self.b))
        half = (self.a - inverse) / (2.0 * self.c)
        root = np.sqrt((self.b / (3.0 * self.c)) ** 3 + half**2)
        return np.asarray(np.exp(np.cbrt(root - half) - np.cbrt(root + half)))

    def to_si(self, volts: FloatArray, supply_v: FloatArray) -> FloatArray:
        # What flows down through the pull-up goes through the thermistor and the load side by side.
        through = (supply_v - volts) / self.pull_up_ohm - (volts / self.load_ohm if self.load_ohm else 0.0)
        open_or_short = (through <= 0.0) | (volts <= 0.0)
        return self.temperature(np.where(open_or_short, np.nan, volts / np.where(open_or_short, 1.0, through)))

    def to_volts(self, value: FloatArray, supply_v: FloatArray) -> FloatArray:
        conductance = 1.0 / self.resistance(value) + (1.0 / self.load_ohm if self.load_ohm else 0.0)
        return supply_v / (1.0 + self.pull_up_ohm * conductance)


@dataclass(frozen=True, slots=True)
class Calibration:
    """The whole chain of one ADC channel. `ratio` is volts in the car for each volt at the chip's pin."""

    curve: Curve
    gain: float = 1.0
    ratio: float = 1.0

    @property
    def needs_supply(self) -> bool:
        """Whether `supply_v` matters: then hand in the measured sensor supply at the same instants."""
        return self.curve.needs_supply

    def to_si(self, counts: npt.ArrayLike, supply_v: npt.ArrayLike | None = None) -> FloatArray:
        """SI values from counts. Without `supply_v`, a sensor that needs it is read against nominal 5 V."""
        return self.curve.to_si(counts_to_volts(counts, self.gain) * self.ratio, _supply(supply_v))

    def to_pin_volts(self, value: npt.ArrayLike, supply_v: npt.ArrayLike | None = None) -> FloatArray:
        """Volts at the chip's pin for SI values: what the virtual car puts there."""
        return self.curve.to_volts(np.asarray(value, dtype=np.float64), _supply(supply_v)) / self.ratio

    def to_counts(self, value: npt.ArrayLike, supply_v: npt.ArrayLike | None = None) -> CountArray:
        """Counts of an ideal chip for SI values."""
        return volts_to_counts(self.to_pin_volts(value, supply_v), self.gain)


def _supply(supply_v: npt.ArrayLike | None) -> FloatArray:
    """The supply to divide by; where it reads zero there is no truth to be had, and NaN says so."""
    supply = np.asarray(NOMINAL_SUPPLY_V if supply_v is None else supply_v, dtype=np.float64)
    return np.where(supply > 0.0, supply, np.nan)
