"""One channel's reading, taken once it has settled: the instrument under `stumblelog calibrate`."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from logger.calibration_points import MOVED_NOISES, Point, lsb_error_v, reads
from logger.check.observation import SUPPLY, Observation
from logger.check.watch import Watcher
from logger.clock import Clock
from logger.errors import CalibrationError
from logger.event import NS_PER_S, FloatArray
from logger.settings import Settings

MEASURE_S = 3.0
GLANCE_S = 0.5
DRIFT_SHARE = 0.002
"""Of a reading of 3.3 V: what it may move between the halves of a measurement and still be called steady."""

FULL_V = 3.3


@dataclass(frozen=True, slots=True)
class Reading:
    """What a channel reads. value: by the calibration in force, in the settings' unit. drift: change from the first
    to the second half of the measurement, in that unit. steady: small enough to be used."""

    point: Point
    value: float
    drift: float
    steady: bool


def reading(observation: Observation, settings: Settings, channel: str, seconds: float) -> Reading:
    """From what was just observed. Raises CalibrationError where the channel gave nothing at all."""
    wiring = settings.channels[channel]
    if channel not in observation.pin_v:
        raise CalibrationError(f"{channel} gives nothing; run stumblelog doctor to see why")
    supply_v = observation.now(SUPPLY, seconds)
    volts = _pin_volts(observation, settings, channel, seconds, supply_v)
    half = len(volts) // 2
    drift_v = float(np.median(volts[half:]) - np.median(volts[:half])) if half else 0.0
    steps = volts - np.median(volts)
    error_v = max(float(steps.std() / np.sqrt(max(1, len(volts)))), lsb_error_v(wiring))
    point = Point(float("nan"), observation.pin_v[channel], error_v, supply_v)
    moved = Point(float("nan"), point.pin_v + drift_v, error_v, supply_v)
    value = reads(wiring, point)
    limit_v = max(DRIFT_SHARE * FULL_V, MOVED_NOISES * error_v)
    return Reading(point, value, reads(wiring, moved) - value, abs(drift_v) <= limit_v)


def settled(
    watcher: Watcher,
    clock: Clock,
    channel: str,
    wait_s: float,
    away_from: tuple[float, ...] = (),
    tell: Callable[[Reading], None] = lambda now: None,
) -> Reading:
    """The next steady reading, unlike those `away_from` (volts at the pin) which have been taken already.

    tell: shown each reading on the way. Raises CalibrationError where none comes within `wait_s`.
    """
    until_ns = clock.monotonic_ns() + round(wait_s * NS_PER_S)
    while True:
        seen = watcher.look(MEASURE_S)
        now = reading(seen.observation, seen.settings, channel, MEASURE_S)
        fresh = all(abs(now.point.pin_v - before) > MIN_MOVE_V for before in away_from)
        if now.steady and fresh:
            return now
        tell(now)
        if clock.monotonic_ns() >= until_ns:
            why = "does not settle" if fresh else "has not moved from the point before"
            raise CalibrationError(f"{channel} {why} within {wait_s:.0f} s; look at the sensor, or wait longer")


MIN_MOVE_V = 0.02


def _pin_volts(
    observation: Observation, settings: Settings, channel: str, seconds: float, supply_v: float
) -> FloatArray:
    """Volts at the pin, sample by sample; an end of the scale, which has no value, is left out."""
    against = supply_v if np.isfinite(supply_v) and supply_v > 0.0 else None
    volts = settings.channels[channel].calibration.to_pin_volts(observation.values(channel, seconds), against)
    good = volts[np.isfinite(volts)]
    return good if good.size else np.array([observation.pin_v[channel]])
