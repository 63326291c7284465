"""The channels there are: one table that the store, the settings, the analysis and the page read.

Names, units and usual rates are those of the capture folder.
"""

from dataclasses import dataclass
from typing import Literal

Kind = Literal["sampled", "level", "vector", "state", "pulses", "marks"]
"""A level is made from a sensor's samples by the recorder, so no input can be wired to it."""


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel: its name in files, SI unit, what its values are, and the usual rate (0: on change or per pulse)."""

    name: str
    unit: str
    kind: Kind
    usual_rate_hz: float
    label: str
    meaning: str


_TABLE = (
    Channel("battery_voltage", "V", "sampled", 100.0, "Battery", "system voltage at the fuse box"),
    Channel("ignition_feed_voltage", "V", "sampled", 100.0, "Ignition feed", "voltage at the coil's supply terminal"),
    Channel("sensor_supply_voltage", "V", "sampled", 100.0, "Sensor supply", "the 5 V that feeds ratiometric sensors"),
    Channel("fuel_pressure", "kPa", "sampled", 100.0, "Fuel pressure", "gauge pressure at the rail"),
    Channel("coolant_temperature", "degC", "sampled", 5.0, "Coolant", "coolant temperature"),
    Channel("air_fuel_ratio", "", "sampled", 50.0, "Air-fuel ratio", "air mass over fuel mass in the exhaust"),
    Channel("throttle_position", "%", "sampled", 100.0, "Throttle", "throttle opening"),
    Channel("pump_feed_voltage", "V", "sampled", 100.0, "Pump feed", "voltage at the fuel pump"),
    Channel("engine_ground_drop", "V", "sampled", 100.0, "Ground drop", "engine block against battery negative"),
    Channel("under_bonnet_temperature", "degC", "sampled", 1.0, "Under bonnet", "air temperature under the bonnet"),
    Channel("intake_temperature", "degC", "sampled", 1.0, "Intake air", "intake air temperature"),
    Channel("vibration_rms", "g", "level", 20.0, "Vibration", "RMS of acceleration over 50 ms, gravity removed"),
    Channel("vibration_peak", "g", "level", 20.0, "Shock peak", "peak of acceleration over 50 ms, gravity removed"),
    Channel("acceleration", "g", "vector", 400.0, "Acceleration", "x forward, y left, z up"),
    Channel("key_sense", "", "state", 0.0, "Key", "1 with the ignition switched on, 0 off"),
    Channel("tach_pulses", "", "pulses", 0.0, "Tach", "pulses on the tach wire (coil primary side)"),
    Channel("spark_pulses", "", "pulses", 0.0, "Spark clamp", "pulses of a clamp on the coil lead (secondary side)"),
    Channel("injector_pulses", "", "pulses", 0.0, "Injector", "pulses at one injector"),
    Channel("crank_pulses", "", "pulses", 0.0, "Crank", "pulses of an independent crank pick-up"),
    Channel("driver_marks", "", "marks", 0.0, "Mark", "the driver pressed the mark button"),
)

CHANNELS: dict[str, Channel] = {channel.name: channel for channel in _TABLE}
