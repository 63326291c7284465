"""Is everything alive before the run? What the sensors read now, against what they can read and what this car read.

`lines` judges an observation; `logger.check.watch` makes one, from the running recorder or from the sensors
themselves. Commands and page show the lines as they are.
"""

from collections.abc import Mapping
from typing import Any

from logger.check import box, idling, standing
from logger.check.line import SAFETY, SAFETY_PAGE, CheckLine, Verdict, worst
from logger.check.observation import SUPPLY, Observation
from logger.check.reference import Reference, last_healthy_start
from logger.check.sensors import broken_wire, coolant, other_channel, sensor_supply
from logger.settings import Settings

__all__ = [
    "SAFETY", "SAFETY_PAGE", "CheckLine", "Observation", "Reference", "Verdict", "last_healthy_start", "lines",
    "recorder_lines", "worst",
]  # fmt: skip


def lines(observation: Observation, settings: Settings, reference: Reference | None = None) -> list[CheckLine]:
    """Every line for a car as it stands or idles now, in the order in which one looks at a car.

    reference: this car's last healthy start, None where none is known; then only plausible limits are left.
    """
    running = observation.is_running(settings.engine)
    found: list[CheckLine | None] = [*box.parts(observation), standing.key(observation) if not running else None]
    for channel in settings.channels:
        broken = broken_wire(observation, settings, channel)
        found.append(broken or _channel(observation, settings, reference, channel, running))
    found += [box.gravity(observation, reference), box.marks(observation)]
    if running:
        found += [*idling.tach(observation, settings), *idling.noise(observation, settings)]
        found.append(idling.vibration(observation))
    else:
        found.append(standing.tach(observation))
    return [line for line in found if line is not None]


def recorder_lines(live: Mapping[str, Any] | None) -> list[CheckLine]:
    """Whether what happens now is being kept: the recorder's own word, None where it does not run."""
    return box.recorder(live)


def _channel(
    observation: Observation, settings: Settings, reference: Reference | None, channel: str, running: bool
) -> CheckLine:
    if channel == SUPPLY:
        return sensor_supply(observation, settings)
    if channel == "coolant_temperature":
        return coolant(observation, settings, float("nan") if reference is None else reference.last_coolant)
    judges = _RUNNING if running else _STANDING
    if channel in judges:
        return judges[channel](observation, settings, reference)
    return other_channel(observation, settings, channel)


_STANDING = {
    "battery_voltage": standing.battery,
    "ignition_feed_voltage": standing.ignition_feed,
    "fuel_pressure": standing.fuel_pressure,
}
_RUNNING = {
    "battery_voltage": idling.battery,
    "ignition_feed_voltage": idling.ignition_feed,
    "fuel_pressure": idling.fuel_pressure,
}
