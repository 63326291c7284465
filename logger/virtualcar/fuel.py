"""Fuel from tank to mixture: pump, regulator, rail, and a carburettor's float bowl.

Each step follows the rail twice: as it is, and as it would be in a healthy car under the same load (`normal_kpa`),
so that the truth knows to the step when pressure left normal.
"""

import math
from dataclasses import dataclass

from logger.virtualcar.engine import ATMOSPHERE_KPA, EngineSpec


@dataclass(slots=True)
class Rail:
    """Rail pressure, kPa gauge. Flows in g/s; `stiffness` is kPa per gram pumped into the closed rail.

    A pump delivers rated * V / 13.5 * (1 - p / shut-off pressure), the straight line of data sheets.
    """

    spec: EngineSpec
    rated_gps: float
    pressure_kpa: float = 0.0
    normal_kpa: float = 0.0
    pump_health: float = 1.0
    uncovered: float = 0.0
    vapour: float = 0.0
    leak_s: float = 400.0
    bowl: float = 1.0
    normal_bowl: float = 1.0
    stiffness: float = 400.0

    def set_point(self, manifold_kpa: float) -> float:
        """What the regulator holds: a constant, or a constant above manifold pressure."""
        if self.spec.manifold_referenced:
            return self.spec.rail_kpa + manifold_kpa - ATMOSPHERE_KPA
        return self.spec.rail_kpa

    def step(self, dt: float, burn_gps: float, manifold_kpa: float, pump_v: float, normal_v: float) -> None:
        """Advance by dt. `pump_v` 0: pump off; `normal_v` is what the pump would have in the healthy car."""
        goal = self.set_point(manifold_kpa)
        capacity = self.rated_gps * self.pump_health * (1.0 - self.uncovered) * max(0.0, pump_v - 2.0) / 11.5
        capacity *= max(0.0, 1.0 - self.vapour)
        # vapour in the lines is soft: the regulator sees foam and cannot hold its pressure
        self.pressure_kpa = self._follow(self.pressure_kpa, dt, burn_gps, goal * (1.0 - 0.5 * self.vapour), capacity)
        healthy = self.rated_gps * max(0.0, normal_v - 2.0) / 11.5
        self.normal_kpa = self._follow(self.normal_kpa, dt, burn_gps, goal, healthy)
        if self.spec.fuel_system == "carburettor":
            self.bowl = self._fill(self.bowl, dt, burn_gps, self.pressure_kpa)
            self.normal_bowl = self._fill(self.normal_bowl, dt, burn_gps, self.normal_kpa)

    def _follow(self, pressure: float, dt: float, burn_gps: float, goal: float, capacity: float) -> float:
        shut_off = 2.1 * self.spec.rail_kpa
        if capacity <= 0.02:
            fallen = pressure - burn_gps * self.stiffness * dt
            return max(0.0, fallen * math.exp(-dt / self.leak_s))
        starved = shut_off * (1.0 - burn_gps / capacity)
        surplus = capacity * (1.0 - goal / shut_off) - burn_gps
        held = goal + 0.25 * min(max(surplus, 0.0), 40.0)
        if starved >= held:
            return pressure + (held - pressure) * (1.0 - math.exp(-dt / (0.018 if pressure > 0.7 * goal else 0.16)))
        lag = max(0.02, shut_off / (capacity * self.stiffness))
        return max(0.0, pressure + (starved - pressure) * (1.0 - math.exp(-dt / lag)))

    def _fill(self, bowl: float, dt: float, burn_gps: float, pressure: float) -> float:
        """Share of the float bowl (18 g) that is full; the needle valve passes with the square root of pressure."""
        inflow = (
            1.9 * self.rated_gps * math.sqrt(max(0.0, pressure) / self.spec.rail_kpa) * min(1.0, (1.0 - bowl) * 12.0)
        )
        return min(1.0, max(0.0, bowl + (inflow * 0.45 - burn_gps) * dt / 18.0))

    def delivery(self, manifold_kpa: float) -> float:
        """Fuel metered over what the healthy car would meter: square root of the pressure across the jet."""
        if self.spec.fuel_system == "carburettor":
            return min(1.0, 0.25 + self.bowl * 2.2) if self.bowl < 0.34 else 1.0
        back = manifold_kpa - ATMOSPHERE_KPA if self.spec.fuel_system != "mechanical_injection" else 0.0
        floor = 0.45 * self.spec.rail_kpa if self.spec.fuel_system == "mechanical_injection" else 0.0
        ahead = max(self.normal_kpa - back - floor, 1.0)
        share = max(0.0, self.pressure_kpa - back - floor) / ahead
        return math.sqrt(share) * (1.0 - max(0.0, self.vapour - 0.3))


def pump_for(spec: EngineSpec) -> float:
    """Rated pump flow, g/s, with a reserve of about 1.8 over full load at the set pressure."""
    breaths = spec.redline_rpm / 60.0 * 2.0 / spec.strokes
    air_gps = spec.litres * 0.9 * breaths * 1.13 * (1.0 + spec.boost_kpa / ATMOSPHERE_KPA)
    return 1.8 * air_gps / 12.8 / (1.0 - 1.0 / 2.1)
