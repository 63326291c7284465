"""What each sensor can truthfully say while the engine runs, and how fast what it measures can move.

The limits are physics and sensor construction, not the car's habits, so they hold for any engine: coolant has thermal
mass, a rail is elastic and is fed and drained at finite flow, gauge pressure in a rail does not go far below the
atmosphere's. Where a limit is a rule of thumb it is marked "common practice, no source".
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Plausible:
    """Limits of one channel, in the channel's unit, for a running engine.

    low, high: beyond these the sensor or its wire lies. step: the largest change between two samples that the quantity
    itself can make within a sample interval (None: it can jump, as voltages do); rate_per_s: how much more per second
    of a longer interval. low_is, high_is: what a reading off that end of the scale means. rests: the quantity may
    truthfully hold one value exactly, at the ends of its travel or scale. electrical: judged against the other
    voltages and the ignition instead of by limits. must_move_s: running time after which a value that never changed
    at all cannot be true (None: it can). nothing: a quantity that is gone may rest exactly within this of zero.
    """

    low: float
    high: float
    step: float | None = None
    rate_per_s: float = 0.0
    rests: bool = False
    electrical: bool = False
    must_move_s: float | None = None
    nothing: float = -1.0


# Reading at the ends of a 0.5-4.5 V ratiometric scale: P = Pfs * (V/Vs - 0.1) / 0.8, so
# 0 V, an open signal wire, reads -12.5 % and 5 V, a wire shorted to the supply, +112.5 % of full scale.
PLAUSIBLE: dict[str, Plausible] = {
    "battery_voltage": Plausible(5.0, 19.0, electrical=True, must_move_s=10.0, nothing=1.0),
    "ignition_feed_voltage": Plausible(3.0, 19.0, electrical=True, must_move_s=10.0, nothing=1.0),
    "pump_feed_voltage": Plausible(3.0, 19.0, electrical=True, must_move_s=10.0, nothing=1.0),
    "engine_ground_drop": Plausible(-5.0, 5.0),
    "sensor_supply_voltage": Plausible(4.5, 5.5, electrical=True),
    "fuel_pressure": Plausible(-10.0, 1000.0, must_move_s=10.0, nothing=10.0),
    "throttle_position": Plausible(-4.0, 106.0, rests=True),
    "air_fuel_ratio": Plausible(6.0, 35.0, rests=True, must_move_s=30.0),
    # Thermistors: open wire reads coldest, shorted hottest. Thermal mass allows about 2 degC/s (common practice,
    # no source); the step leaves room for sensor noise.
    "coolant_temperature": Plausible(-35.0, 150.0, step=8.0, rate_per_s=3.0, must_move_s=600.0),
    "under_bonnet_temperature": Plausible(-35.0, 200.0, step=15.0, rate_per_s=5.0),
    "intake_temperature": Plausible(-35.0, 150.0, step=15.0, rate_per_s=5.0),
    "acceleration": Plausible(-200.0, 200.0, must_move_s=5.0),
}
