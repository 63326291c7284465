"""Battery, alternator, loads and the ignition coil's primary: what each voltage does from firing to firing.

The battery is a source behind a resistance with a slow surface charge; the alternator holds its regulated voltage as
long as its current, which falls with speed, covers the loads.
"""

import math
from dataclasses import dataclass

REST_V = 12.55


@dataclass(slots=True)
class Electrics:
    """System voltage at the fuse box. `health` 0..1 scales the alternator's current, `used` 0..1 is the charge drawn.

    Battery and regulator: 14.4 V at 20 degC less 10 mV per degC (workshop manuals); alternator current rises with
    speed as 1 - exp(-n/n1), the usual shape of its published curves.
    """

    rated_a: float = 55.0
    battery_ohm: float = 0.012
    capacity_ah: float = 40.0
    used: float = 0.05
    set_v: float = 14.2
    health: float = 1.0
    voltage: float = REST_V
    surface_v: float = 0.0
    alternator_a: float = 0.0

    def alternator_limit(self, speed: float) -> float:
        """Largest alternator current, A, at crank speed in rad/s (pulley ratio 2)."""
        turns = speed * 19.1 - 900.0
        return self.health * self.rated_a * (1.0 - math.exp(-turns / 1700.0)) if turns > 0.0 else 0.0

    def step(self, dt: float, speed: float, load_a: float, starter_a: float) -> None:
        """Advance the bus by dt under the given loads."""
        rest = REST_V + self.surface_v - 0.9 * self.used - 3.0 * self.used**3
        wanted = (self.set_v - rest) / self.battery_ohm + load_a + starter_a
        # the field winding lets the current follow within some tens of milliseconds
        goal = min(max(wanted, 0.0), self.alternator_limit(speed))
        self.alternator_a += (goal - self.alternator_a) * min(1.0, dt / 0.035)
        into_battery = self.alternator_a - load_a - starter_a
        bus = rest + self.battery_ohm * into_battery
        self.voltage += (max(bus, 3.0) - self.voltage) * min(1.0, dt / 0.012)
        toward = min(max(into_battery / 25.0, -0.55), 1.75)
        self.surface_v += (toward - self.surface_v) * min(1.0, dt / (6.0 if into_battery > 0.0 else 14.0))
        self.used = min(1.2, max(0.0, self.used - into_battery * dt / 3600.0 / self.capacity_ah))

    def torque(self, speed: float) -> float:
        """Load of the alternator on the crank, N m, at 55 percent efficiency."""
        return self.alternator_a * self.voltage / 0.55 / max(speed, 40.0)


@dataclass(slots=True)
class Starter:
    """A starter motor at the crank: torque falls in a straight line to none at 33 rad/s, about 315 per minute."""

    litres: float
    boosted: float = 1.0
    inertia: float = 0.35  # kg m2, the armature seen through its pinion
    free: float = 33.0

    def share(self, load: float, crank: float, inertia: float, angle: float, volts: float) -> float:
        """Mean share of its stall torque over the coming turn by `angle` against `load`, N m."""
        share = max(0.0, 1.0 - crank / self.free)
        for _ in range(6):
            work = 2.0 * (load + self.stall_nm(volts) * share) * angle / (inertia + self.inertia)
            after = math.sqrt(max(0.0, crank * crank + work))
            share = 0.5 * share + 0.5 * max(0.0, 1.0 - 0.5 * (crank + after) / self.free)
        return share

    def stall_nm(self, volts: float) -> float:
        return (24.0 + 24.0 * self.litres) * volts / 10.0

    def amps(self, share: float) -> float:
        """Current from the car's own battery; a booster pack gives the rest."""
        return self.boosted * (60.0 + 320.0 * share * share)


@dataclass(frozen=True, slots=True)
class Coil:
    """The ignition coil's primary: current rises as V/R (1 - exp(-tR/L)), textbook resistor and inductor."""

    ohm: float = 0.9
    henry: float = 0.0045
    feed_ohm: float = 0.06
    limit_a: float = 7.5

    def current(self, volts: float, seconds: float) -> float:
        total = self.ohm + self.feed_ohm
        return min(self.limit_a, volts / total * (1.0 - math.exp(-seconds * total / self.henry)))

    def reserve(self, volts: float, seconds: float, manifold_kpa: float, weakest_a: float, boost_kpa: float) -> float:
        """Available over required secondary voltage, the demand growing with cylinder pressure.

        The voltage reached is taken to go with the root of the current; `weakest_a` is the current at 14 V and
        the redline, at which a worn but sound ignition keeps 1.3 in hand at full load.
        """
        available = math.sqrt(max(0.0, self.current(volts, seconds)) / weakest_a)
        return 1.3 * available * 7.3 / (3.4 + 3.98 * manifold_kpa / (100.0 + 0.9 * boost_kpa))


def spark_chance(reserve: float) -> float:
    """Chance of a spark that lights: sure above 1.15 times the voltage required, half at 0.95."""
    return 1.0 / (1.0 + math.exp(min(60.0, (0.95 - reserve) / 0.035)))
