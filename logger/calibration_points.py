"""Points at which a person measured a sensor: the true value beside the reading, and which of them are of no use."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger.channel_settings import ChannelSettings
from logger.channels import CHANNELS
from logger.conversion import FULL_SCALE_V, NOMINAL_SUPPLY_V, from_si
from logger.errors import CalibrationError

POSSIBLE: dict[str, tuple[float, float]] = {
    "": (5.0, 35.0),
    "V": (-20.0, 32.0),
    "kPa": (-100.0, 2000.0),
    "degC": (-45.0, 180.0),
    "%": (-10.0, 110.0),
}
"""By SI unit, what a channel's true value can be on a car."""

PIN_END_V = 3.25
"""Above, an input on 3.3 V is at its upper end."""

NEAR_SHARE = 0.02
"""Of a channel's scale: two points closer than that tell no slope."""

MOVED_NOISES = 6.0


@dataclass(frozen=True, slots=True)
class Point:
    """The true value, in the unit of the settings, and what was read with it: volts at the ADC's pin with their
    standard error, and the sensor supply (NaN where it is not measured)."""

    true: float
    pin_v: float
    error_v: float = 0.0
    supply_v: float = float("nan")

    @property
    def supply(self) -> float:
        """The supply that a sensor is read against: nominal where it is not measured."""
        return self.supply_v if np.isfinite(self.supply_v) else NOMINAL_SUPPLY_V


def check_point(channel: str, wiring: ChannelSettings, point: Point, before: Sequence[Point] = ()) -> None:
    """Raises CalibrationError where this point cannot be used, alone or with those taken before."""
    _check_value(channel, wiring, point.true)
    _check_reading(wiring, point)
    scale = scale_of(channel, wiring)
    for other in before:
        if abs(other.true - point.true) < NEAR_SHARE * scale:
            raise CalibrationError(
                f"{channel}: {other.true:g} and {point.true:g} {wiring.unit} are too close together to tell a slope; "
                "choose points far apart"
            )
        if abs(other.pin_v - point.pin_v) <= MOVED_NOISES * np.hypot(other.error_v, point.error_v):
            raise CalibrationError(
                f"{channel}: the reading has not moved between {other.true:g} and {point.true:g} {wiring.unit}; "
                "is it this sensor that you changed, and is it connected?"
            )


def reads(wiring: ChannelSettings, point: Point) -> float:
    """What the wiring's present law makes of the point's reading, in the unit of the settings."""
    car_v = np.asarray(point.pin_v * wiring.ratio)
    return float(from_si(wiring.calibration.curve.to_si(car_v, np.asarray(point.supply)), wiring.unit))


def ohms(wiring: ChannelSettings, point: Point) -> float:
    """Resistance of a thermistor from its point; NaN for an open or a shorted wire."""
    assert wiring.pull_up_ohm is not None
    volts, supply = point.pin_v * wiring.ratio, point.supply
    through = (supply - volts) / wiring.pull_up_ohm - (volts / wiring.load_ohm if wiring.load_ohm else 0.0)
    return volts / through if through > 0.0 and volts > 0.0 else float("nan")


def lsb_error_v(wiring: ChannelSettings) -> float:
    """Standard error of the ADC's rounding at this gain, volts at its pin."""
    return float(FULL_SCALE_V[wiring.gain] / 32768.0 / np.sqrt(12.0))


def x_of(wiring: ChannelSettings, point: Point) -> float:
    """What the law of this kind of sensor goes by: volts at the pin or in the car, a share of the supply, or ohms."""
    if wiring.convert == "ntc":
        return ohms(wiring, point)
    if wiring.convert == "divider":
        return point.pin_v
    volts = point.pin_v * wiring.ratio
    return volts / point.supply if wiring.convert == "ratiometric" else volts


def scale_of(channel: str, wiring: ChannelSettings) -> float:
    """The range that the channel is used over, in the unit of the settings."""
    if wiring.convert == "ratiometric" and wiring.full_scale is not None:
        return abs(wiring.full_scale)
    usual = {"": 10.0, "V": 15.0, "kPa": 500.0, "degC": 100.0, "%": 100.0}[CHANNELS[channel].unit]
    return float(from_si(usual, wiring.unit) - from_si(0.0, wiring.unit))


def _check_value(channel: str, wiring: ChannelSettings, true: float) -> None:
    low, high = (float(from_si(end, wiring.unit)) for end in POSSIBLE[CHANNELS[channel].unit])
    if not low <= true <= high:
        raise CalibrationError(
            f"{channel}: {true:.10g} {wiring.unit} cannot be: on a car it is {low:g} to {high:g} {wiring.unit}; "
            "look at the number and its unit"
        )


def _check_reading(wiring: ChannelSettings, point: Point) -> None:
    where = f"chip 0x{wiring.chip:02x} A{wiring.input}"
    if not np.isfinite(point.pin_v):
        raise CalibrationError(f"{where} reads nothing; look at the wire")
    if point.pin_v > PIN_END_V:
        raise CalibrationError(f"{where} is at its upper end ({point.pin_v:.2f} V); look at divider and wire")
    if wiring.convert == "ntc" and not 10.0 < ohms(wiring, point) < 1e6:
        raise CalibrationError(f"{where} reads as an open or a shorted wire; look at the sensor's plug")
    if wiring.convert == "ratiometric":
        share = x_of(wiring, point)
        if not 0.03 < share < 0.97:
            raise CalibrationError(
                f"{where} reads {100 * share:.0f} % of the supply, an end of its range; look at the wire"
            )
    if wiring.convert == "divider" and abs(point.pin_v) < 0.02:
        raise CalibrationError(
            f"{where} reads {point.pin_v:.3f} V; measure with the voltage on, for 0 V tells no ratio"
        )
