"""Mixture and combustion of each firing, beside what the same firing would have done in the healthy car."""

import math
from collections.abc import Sequence
from random import Random

from logger.virtualcar.engine import (
    CAUGHT_RPM,
    RESIDUAL_KPA,
    RPM,
    Air,
    Cylinders,
    EngineSpec,
    lean_torque,
    light_chance,
)
from logger.virtualcar.faults import Fault
from logger.virtualcar.fuel import Rail
from logger.virtualcar.ignition import Ignition, Spark, contact_of

AIR_LAM = 1.6  # relative air-fuel ratio at which a probe shows plain air
WORTH_KPA = 150.0  # gross mean effective pressure below which nobody misses a firing


class Combustion:
    """`lam` is the relative air-fuel ratio in the cylinder, `normal_lam` the same without faults; `cut`: overrun."""

    def __init__(
        self, engine: EngineSpec, air: Air, rail: Rail, ignition: Ignition, faults: Sequence[Fault], random: Random
    ) -> None:
        self.engine, self.air, self.rail, self.ignition, self.random = engine, air, rail, ignition, random
        # the same engine has the same weak cylinders on every drive
        self.cylinders = Cylinders.build(engine, Random(int(engine.litres * 1e4) + engine.cylinders))
        self.injectors = contact_of(faults, "injector_drive")
        self.lam = self.normal_lam = 1.0
        self.cut, self.cut_since, self.injected = False, 0.0, True
        self.enrich = 0.0
        self.wetted, self.needed = 0, random.randint(3, 7)

    def burn(self, t: float, crank: float, cylinder: int, spark: Spark) -> tuple[float, tuple[float, ...]]:
        """Gross mean effective pressure, kPa, and the log's columns spark_t to lam."""
        fuelled = not (self.cut or (self.ignition.limited and self.engine.limiter == "fuel"))
        self.injected = not (self.injectors.is_open(t) or (not spark.switched and self._no_injection(t)))
        ready = self._wet_enough(crank, fuelled and self.injected)
        burns = fuelled and self.injected and ready and spark.lit and self.random.random() < light_chance(self.lam)
        normal = 0.0
        if fuelled and ready:
            normal = self.cylinders.work_kpa(cylinder, crank, self.air.pressure_kpa, self.normal_lam)
        share = lean_torque(self.lam) / max(lean_torque(self.normal_lam), 0.05) if burns else 0.0
        loss = 1.0 - min(1.0, share) if fuelled else float(not spark.lit)
        # a leak fills the manifold behind a shut throttle, where the sound engine would do no work either
        worth = (normal + RESIDUAL_KPA) * self.air.sound_kpa / self.air.pressure_kpa - RESIDUAL_KPA
        effective = loss if worth > WORTH_KPA else 0.0
        blame = self._fuel_blame() if loss > 0.05 and spark.lit else spark.blame
        row = (spark.time, 1.0, float(spark.switched), float(spark.arced), loss, float(blame), effective)
        return normal * share, (*row, self._sensed(fuelled, burns))

    def no_spark(self, t: float, turning: bool) -> tuple[float, ...]:
        """The log's columns of a step without ignition."""
        return (t, 0.0, 0.0, 0.0, 0.0, -1.0, 0.0, AIR_LAM if turning else self.lam)

    def mix(self, t: float, crank: float, throttle: float, coolant_degc: float) -> None:
        """Overrun cut, the mixture the engine wants, and the one it gets."""
        engine, rpm = self.engine, crank * RPM
        closed = throttle < 0.015 and rpm > (1.35 if self.cut else 1.8) * engine.idle_rpm
        if not (closed and engine.overrun_cut):
            self.cut, self.cut_since = False, t
        elif t - self.cut_since > 0.25:
            self.cut = True
        load = min(1.0, max(0.0, (self.air.pressure_kpa - 55.0) / 40.0))
        aim = 1.0 - 0.13 * load - 0.0035 * max(0.0, 70.0 - coolant_degc)
        if engine.fuel_system == "carburettor":
            aim -= 0.04 + 0.03 * math.sin(rpm / 900.0)
        self.normal_lam = max(0.72, aim + self.enrich)
        unmetered = 1.0 + self.air.leak / max(self.air.idle_air + 2.0 * throttle**1.9, 0.03)
        self.lam = min(4.0, self.normal_lam * unmetered / max(self.rail.delivery(self.air.pressure_kpa), 0.05))

    def tip_in(self, dt: float, opened: float) -> None:
        """A carburettor goes weak for a moment when its throttle opens."""
        if self.engine.fuel_system == "carburettor":
            self.enrich += 0.10 * max(0.0, opened)
            self.enrich -= self.enrich * min(1.0, dt / 0.15)

    def burn_gps(self, crank: float) -> float:
        """Fuel taken from the rail, g/s."""
        if crank <= 1.0 or self.cut or not self.injected:
            return 0.0
        breaths = crank / (2.0 * math.pi) * 2.0 / self.engine.strokes
        air_gps = self.engine.litres * 0.88 * self.air.pressure_kpa / 100.0 * 1.13 * breaths
        return air_gps / 14.7 / max(self.normal_lam, 0.5)

    def _sensed(self, fuelled: bool, burns: bool) -> float:
        """Relative air-fuel ratio of what leaves the cylinder, as an oxygen probe takes it: a miss reads lean."""
        if not (fuelled and self.injected):
            return AIR_LAM
        return min(self.lam if burns else 1.35 * self.lam, 1.5)

    def _wet_enough(self, crank: float, fuelled: bool) -> bool:
        """A starting engine fires once some charges have wetted its ports."""
        if crank * RPM >= CAUGHT_RPM:
            return True
        self.wetted = self.wetted + 1 if fuelled and self.rail.delivery(self.air.pressure_kpa) > 0.5 else 0
        return self.wetted >= self.needed or self.random.random() < 0.03

    def _fuel_blame(self) -> int:
        """Whose fault a firing is that had its spark: no injection, air, or pressure."""
        if not self.injected:
            return self.ignition.blame("injector_drive")
        return self.ignition.blame("pump_tired", "pump_feed", "vapour", "surge", "air_leak", "ground", "charging")

    def _no_injection(self, t: float) -> bool:
        """A control unit that has lost its trigger or its supply does not inject either."""
        return self.engine.electronic and (t < self.ignition.dead_until or self.ignition.unit_trigger.is_open(t))
