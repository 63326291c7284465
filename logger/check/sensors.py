"""What a sensor's wire tells: at an end of its range it is open or short, whatever the engine does."""

import numpy as np

from logger.channel_settings import ChannelSettings
from logger.channels import CHANNELS
from logger.check.line import CheckLine, Verdict, between, shown
from logger.check.observation import LOOK_S, SUPPLY, Observation, share_of_supply
from logger.settings import Settings

DECIDING = (
    "battery_voltage", "ignition_feed_voltage", SUPPLY, "fuel_pressure", "coolant_temperature",
)  # fmt: skip
"""Without these the run's recording cannot tell causes apart, or what brings a fault out."""

LOW_SHARE, HIGH_SHARE = 0.05, 0.95
"""Of a ratiometric sensor's supply: 0.25 V and 4.75 V of 5 V. Common practice, no source."""

OPEN_NTC, SHORT_NTC = 0.98, 0.01
"""Share of what an open thermistor input reads: at -40 degC the usual 2.5 kohm sensor reads 0.95 of it, at +140 degC
0.026 (published table, see the curve's file)."""

HOT_DEGC, BOILING_DEGC = 112.0, 125.0
"""Common practice, no source: coolant under its cap's pressure."""


def broken_wire(observation: Observation, settings: Settings, channel: str) -> CheckLine | None:
    """The line for a channel that gives nothing, or reads off the end of its sensor's range; None where it reads."""
    wiring = settings.channels[channel]
    value = observation.now(channel)
    if not observation.values(channel).size:
        return _line(observation, settings, channel, "a value", f"Nothing came from {_input(wiring)}.", "nothing")
    why = _off_scale(observation, settings, channel, wiring)
    if why is None and not np.isfinite(value):
        why = "it reads as an open or a shorted wire"
    if why is None:
        return None
    todo = f"At {_input(wiring)} {why}. Look at plug, wire and ground; not fitted: take it out of the settings."
    return _line(observation, settings, channel, "a reading inside the sensor's range", todo)


def _off_scale(observation: Observation, settings: Settings, channel: str, wiring: ChannelSettings) -> str | None:
    if channel not in observation.pin_v:
        return None
    pin_v = observation.pin_v[channel]
    if wiring.convert == "ratiometric":
        share = share_of_supply(observation, settings, channel)
        if share < LOW_SHARE:
            return "the signal is near 0 V: wire open, or short to ground"
        return "the signal is at its supply: short to the 5 V, or its ground is off" if share > HIGH_SHARE else None
    if wiring.convert == "ntc":
        assert wiring.pull_up_ohm is not None
        load = wiring.load_ohm
        share = share_of_supply(observation, settings, channel) * (1.0 + wiring.pull_up_ohm / load if load else 1.0)
        if share > OPEN_NTC:
            return "the sensor reads endlessly cold: wire open"
        return "the sensor reads endlessly hot: short to ground" if share < SHORT_NTC else None
    if wiring.convert in ("linear", "table") and pin_v < 0.01:
        return "there is no voltage: its controller is off, or the wire open"
    return None


def _input(wiring: ChannelSettings) -> str:
    return f"chip 0x{wiring.chip:02x} A{wiring.input}"


def _line(
    observation: Observation, settings: Settings, channel: str, expected: str, todo: str, value: str = ""
) -> CheckLine:
    verdict: Verdict = "stop" if channel in DECIDING else "look"
    value = value or shown(channel, observation.now(channel), settings.display)
    return CheckLine(channel, CHANNELS[channel].label, value, expected, verdict, todo)


def judged(
    settings: Settings, channel: str, value: float, low: float, high: float, todo: str, verdict: Verdict = "look"
) -> CheckLine:
    """ "ok" where low <= value <= high, else the verdict with what to do."""
    expected = between(channel, low, high, settings.display)
    said = shown(channel, value, settings.display)
    if low <= value <= high:
        return CheckLine(channel, CHANNELS[channel].label, said, expected)
    return CheckLine(channel, CHANNELS[channel].label, said, expected, verdict, todo)


def sensor_supply(observation: Observation, settings: Settings) -> CheckLine:
    """The 5 V of the ratiometric sensors: all of them lie where it is gone."""
    value = observation.now(SUPPLY)
    gone = not 4.5 <= value <= 5.5
    todo = "One of its sensors may be short: unplug them one by one and see which brings it back."
    return judged(settings, SUPPLY, value, 4.75, 5.25, todo, "stop" if gone else "look")


def coolant(observation: Observation, settings: Settings, last_degc: float) -> CheckLine:
    """Coolant against the air around it and against the end of the last recording."""
    value = observation.now("coolant_temperature")
    air = [observation.now(name) for name in ("under_bonnet_temperature", "intake_temperature")]
    coldest = min((degc for degc in air if np.isfinite(degc)), default=-20.0)
    low = max(-25.0, min(coldest, 40.0) - 15.0)
    high = min(HOT_DEGC, last_degc + 25.0) if np.isfinite(last_degc) else HOT_DEGC
    if value > BOILING_DEGC:
        todo = "Let it cool with the bonnet open and the radiator closed."
        return judged(settings, "coolant_temperature", value, low, HOT_DEGC, todo, "stop")
    todo = "Feel the hose, carefully: if it does not fit, calibrate the sensor or renew its wire."
    return judged(settings, "coolant_temperature", value, low, max(high, 40.0), todo)


def other_channel(observation: Observation, settings: Settings, channel: str) -> CheckLine:
    """A channel of which no more is asked than that it reads what it can read."""
    ranges = {
        "throttle_position": (-5.0, 25.0, "Foot off the pedal? Else its wire or its zero is wrong: calibrate it."),
        "air_fuel_ratio": (6.0, 30.0, "Let the probe warm up; else look at its controller."),
        "pump_feed_voltage": (-0.3, 15.5, "Look at the tap; calibrate it against a meter."),
        "engine_ground_drop": (-0.2, 0.3, "Clean and tighten the engine's ground strap at both ends."),
        "under_bonnet_temperature": (-30.0, 130.0, "Look at the sensor and its wire."),
        "intake_temperature": (-30.0, 90.0, "Look at the sensor and its wire."),
    }
    low, high, todo = ranges[channel]
    return judged(settings, channel, observation.now(channel, LOOK_S), low, high, todo)
