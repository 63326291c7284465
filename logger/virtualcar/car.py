"""The car put together and driven, one firing at a time.

Each step is one firing interval (10 ms at a standstill): the driver acts, the firing is lit or not, the crank turns
through one firing angle, and fuel, air, electrics, heat and faults follow by the time that took. What happened goes
into a Log, from which render.py makes signals and truth.py the truth.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from random import Random

import numpy as np

from logger.event import FloatArray
from logger.virtualcar.driveline import Chassis, Driveline
from logger.virtualcar.driver import Driver, Plan
from logger.virtualcar.electrics import Coil, Electrics
from logger.virtualcar.engine import (
    RPM,
    Air,
    Cylinders,
    EngineSpec,
    friction_kpa,
    idle_air_for,
    lean_torque,
    light_chance,
)
from logger.virtualcar.faults import Fault
from logger.virtualcar.fuel import Rail, pump_for
from logger.virtualcar.ignition import Ignition, Spark, contact_of

STANDSTILL_S = 0.01
CAUGHT_RPM = 350.0
AIR = 1.6  # relative air-fuel ratio at which a probe shows plain air
WORTH_KPA = 150.0  # gross mean effective pressure below which nobody misses a firing
STARTER_INERTIA = 0.35  # kg m2, the armature seen through its pinion


@dataclass(frozen=True, slots=True)
class CarSpec:
    """A whole car: engine, chassis, electrics, and how rough the ground under it is (knocks per metre).

    boosted: share of the starter's current that the car's own battery gives, less than 1 with a booster pack."""

    name: str
    engine: EngineSpec = field(default_factory=EngineSpec)
    chassis: Chassis = field(default_factory=Chassis)
    coil: Coil = field(default_factory=Coil)
    alternator_a: float = 55.0
    set_v: float = 14.2
    base_load_a: float = 4.0
    lamps_a: float = 0.0
    fan_a: float = 12.0
    thermostat_degc: float = 84.0
    knocks_per_metre: float = 0.022
    knock_scale_g: float = 1.1
    boosted: float = 1.0


@dataclass(frozen=True, slots=True)
class Conditions:
    """How the car stands when the recording begins."""

    coolant_degc: float = 55.0
    ambient_degc: float = 22.0
    bay_degc: float = 35.0
    capacity_ah: float = 40.0
    used: float = 0.05
    surface_v: float = 0.15
    rail_kpa: float = 0.0
    slope: float = 0.0


COLUMNS = (
    "t", "dt", "crank", "turned", "spark_t", "fired", "switched", "arced", "loss", "fault", "effective", "lam",
    "manifold", "rail", "normal_rail", "volts", "normal_volts", "throttle", "speed", "ax", "lateral", "coolant", "bay",
    "pump_on", "load_a", "gear", "running", "alive", "injected", "starter_a",
)  # fmt: skip


@dataclass(slots=True)
class Log:
    """One row per step; `column(name)` is float64, shape (steps,). Rows lie at the start of their step."""

    rows: list[tuple[float, ...]] = field(default_factory=list)
    hits: list[tuple[float, float]] = field(default_factory=list)
    key: list[tuple[float, float]] = field(default_factory=list)
    end_s: float = 0.0
    _table: FloatArray | None = None

    def column(self, name: str) -> FloatArray:
        if self._table is None:
            self._table = np.array(self.rows, dtype=np.float64).T.copy()
        column: FloatArray = self._table[COLUMNS.index(name)]
        return column


class Car:
    """A car with its faults, ready for one power-up."""

    def __init__(self, spec: CarSpec, plan: Plan, conditions: Conditions, faults: Sequence[Fault], seed: int) -> None:
        self.random = Random(seed)
        self.spec, self.conditions, self.faults = spec, conditions, list(faults)
        engine = spec.engine
        self.engine = engine
        self.driver = Driver(plan, Random(seed + 1), engine.idle_rpm, engine.redline_rpm, len(spec.chassis.gears))
        self.cylinders = Cylinders.build(engine, Random(int(engine.litres * 1e4) + engine.cylinders))
        self.air = Air(engine, idle_air_for(engine))
        self.line = Driveline(spec.chassis, engine.inertia)
        self.rail = Rail(engine, pump_for(engine), conditions.rail_kpa, conditions.rail_kpa)
        self.bus = Electrics(
            spec.alternator_a,
            capacity_ah=conditions.capacity_ah,
            used=conditions.used,
            set_v=spec.set_v,
            surface_v=conditions.surface_v,
        )
        self.normal_bus = Electrics(spec.alternator_a, set_v=spec.set_v, surface_v=conditions.surface_v)
        self.coolant, self.bay = conditions.coolant_degc, conditions.bay_degc
        self.volume = engine.litres * 1e-3
        self.share = self.volume * 1e3 / (2.0 * math.pi * engine.strokes / 2.0)  # N m per kPa of mean pressure
        self.ignition = Ignition(engine, spec.coil, self.faults, self.random)
        self.injectors = contact_of(self.faults, "injector_drive")
        self.pump_wire = contact_of(self.faults, "pump_feed")
        self.log = Log()
        self.t = 0.0
        self.fan, self.fan_since = False, 0.0
        self.cut = False
        self.cut_since = 0.0
        self.wet = 0
        self.needed = self.random.randint(3, 7)
        self.enrich = 0.0
        self.normal_lam = self.lam = 1.0
        self.injected = True
        self.cylinder = 0
        self.key_was = False
        self.load_a = 0.0
        self.pump_on = False

    def run(self) -> Log:
        """Drive the plan to its end."""
        script = self.driver.script()
        for _ in script:
            self._step()
        self.log.end_s = self.t
        return self.log

    def _step(self) -> None:
        driver, engine, line = self.driver, self.engine, self.line
        t, crank = self.t, line.crank
        if driver.key != self.key_was:
            self.log.key.append((t, float(driver.key)))
            self.key_was = driver.key
        turning = crank > 1.0 or driver.starter
        fired = crank > 1.0
        spark = None
        if fired and driver.key:
            spark = self.ignition.strike(t, crank, self.cylinder, self.bus.voltage, self.air.pressure_kpa)
        work, row = self._burn(t, crank, spark, fired)
        starter_a = 0.0
        if turning:
            torque = self._crank_torque(work, crank)
            line.starter_inertia = 0.0
            if driver.starter:
                share = self._starter_share(torque, crank)
                starter_a = self.spec.boosted * (60.0 + 320.0 * share * share)
                torque += self._starter_torque() * share
                line.starter_inertia = STARTER_INERTIA if share > 0.0 else 0.0
            dt, turned = line.turn(torque, engine.firing_angle, driver, self.conditions.slope)
        else:
            dt, turned = STANDSTILL_S, 0.0
            line.rest(dt, driver, self.conditions.slope)
        if fired and turned >= engine.firing_angle * 0.999:
            self.cylinder = (self.cylinder + 1) % engine.cylinders
        self.log.rows.append((t, dt, crank, turned, *row, *self._states(t), starter_a))
        self._follow(t, dt, crank, starter_a)
        self.t = driver.t = t + dt
        driver.rpm, driver.speed_mps = line.crank * RPM, line.speed
        if line.mode == "spin" and not driver.spinning and not driver.airborne:
            driver.note("wheelspin")
        driver.spinning = line.mode == "spin"

    def _starter_torque(self) -> float:
        """Stall torque of the starter at the crank, N m."""
        return (24.0 + 24.0 * self.engine.litres) * self.bus.voltage / 10.0

    def _starter_share(self, torque: float, crank: float) -> float:
        """Mean share of its stall torque that the starter gives over the coming step; it spins free at 33 rad/s."""
        inertia = self.engine.inertia + STARTER_INERTIA
        share = max(0.0, 1.0 - crank / 33.0)
        for _ in range(6):
            work = 2.0 * (torque + self._starter_torque() * share) * self.engine.firing_angle / inertia
            after = math.sqrt(max(0.0, crank * crank + work))
            share = 0.5 * share + 0.5 * max(0.0, 1.0 - 0.5 * (crank + after) / 33.0)
        return share

    # --- ignition and combustion -------------------------------------------------------------------------------

    def _burn(self, t: float, crank: float, spark: Spark | None, fired: bool) -> tuple[float, tuple[float, ...]]:
        """Gross mean effective pressure of this firing, and its part of the log row."""
        if spark is None:
            return 0.0, (t, 0.0, 0.0, 0.0, 0.0, -1.0, 0.0, AIR if fired else self.lam)
        manifold = self.air.pressure_kpa
        self._mixture(t, crank)
        fuelled = not (self.cut or (self.ignition.limited and self.engine.limiter == "fuel"))
        self.injected = not (self.injectors.is_open(t) or (not spark.switched and self._no_injection(t)))
        ready = self._wetted(crank, manifold, fuelled and self.injected)
        burns = fuelled and self.injected and ready and spark.lit and self.random.random() < light_chance(self.lam)
        healthy = self.cylinders.work_kpa(self.cylinder, crank, manifold, self.normal_lam) if fuelled and ready else 0.0
        ratio = lean_torque(self.lam) / max(lean_torque(self.normal_lam), 0.05) if burns else 0.0
        loss = 1.0 - min(1.0, ratio) if fuelled else float(not spark.lit)
        effective = loss if healthy > WORTH_KPA else 0.0
        blame = self._fuel_blame() if loss > 0.05 and spark.lit else spark.blame
        row = (spark.time, 1.0, float(spark.switched), float(spark.arced), loss, float(blame), effective)
        return healthy * ratio, (*row, self._sensed(fuelled, burns))

    def _sensed(self, fuelled: bool, burns: bool) -> float:
        """Relative air-fuel ratio of what leaves the cylinder, as an oxygen probe takes it: a miss reads lean."""
        if not (fuelled and self.injected):
            return AIR
        return min(self.lam if burns else 1.35 * self.lam, 1.5)

    def _wetted(self, crank: float, manifold: float, fuelled: bool) -> bool:
        """A starting engine fires once some charges have wetted its ports."""
        if crank * RPM >= CAUGHT_RPM:
            return True
        self.wet = self.wet + 1 if fuelled and self.rail.delivery(manifold) > 0.5 else 0
        return self.wet >= self.needed or self.random.random() < 0.03

    def _fuel_blame(self) -> int:
        """Whose fault a firing is that had its spark: no injection, air, or pressure."""
        if not self.injected:
            return self.ignition.blame("injector_drive")
        return self.ignition.blame("pump_tired", "pump_feed", "vapour", "surge", "air_leak", "ground", "charging")

    def _no_injection(self, t: float) -> bool:
        """A control unit that has lost its trigger or its supply does not inject either."""
        return self.engine.electronic and (t < self.ignition.dead_until or self.ignition.trigger.is_open(t))

    def _mixture(self, t: float, crank: float) -> None:
        """Relative air-fuel ratio in the cylinder now, with and without the faults; overrun fuel cut."""
        engine, throttle, rpm = self.engine, self.driver.throttle, crank * RPM
        wants_cut = engine.overrun_cut and throttle < 0.015 and rpm > (1.35 if self.cut else 1.8) * engine.idle_rpm
        if not wants_cut:
            self.cut, self.cut_since = False, t
        elif t - self.cut_since > 0.25:
            self.cut = True
        load = min(1.0, max(0.0, (self.air.pressure_kpa - 55.0) / 40.0))
        aim = 1.0 - 0.13 * load - 0.0035 * max(0.0, 70.0 - self.coolant)
        if engine.fuel_system == "carburettor":
            aim -= 0.04 + 0.03 * math.sin(rpm / 900.0)
        self.normal_lam = max(0.72, aim + self.enrich)
        metered = self.rail.delivery(self.air.pressure_kpa)
        unmetered = 1.0 + (self.air.leak / max(self.air.idle_air + 2.0 * throttle**1.9, 0.03))
        self.lam = min(4.0, self.normal_lam * unmetered / max(metered, 0.05))

    def _crank_torque(self, work: float, crank: float) -> float:
        """Net torque of one firing interval, N m: burnt work less friction, pumping and alternator."""
        pumping = max(0.0, self.air.upstream_kpa - self.air.pressure_kpa) if crank > 20.0 else 15.0
        cost = friction_kpa(crank, self.coolant) + pumping
        if crank * RPM < CAUGHT_RPM:
            cost *= 1.0 + self.random.gauss(0.0, 0.12)  # leaking compression differs from stroke to stroke
        return (work - cost) * self.share - (self.bus.torque(crank) if crank > 40.0 else 0.0)

    # --- everything that follows in time -------------------------------------------------------------------------

    def _follow(self, t: float, dt: float, crank: float, starter_a: float) -> None:
        driver, air, rail, engine = self.driver, self.air, self.rail, self.engine
        before = driver.throttle
        driver.throttle += (driver.pedal - driver.throttle) * (1.0 - math.exp(-dt / 0.045))
        self.enrich += 0.10 * max(0.0, driver.throttle - before) * (engine.fuel_system == "carburettor")
        self.enrich -= self.enrich * min(1.0, dt / 0.15)
        error = engine.idle_rpm / RPM * (1.0 + max(0.0, 60.0 - self.coolant) / 130.0) - crank
        idling = driver.throttle < 0.02 and 25.0 < crank < 2.0 * engine.idle_rpm / RPM and driver.key
        air.step(dt, crank, driver.throttle, error if idling else 0.0)
        self._knock(t, dt)
        for fault in self.faults:
            fault.step(t, dt, self.coolant, air.pressure_kpa, driver.lateral_g)
        self._strengths()
        burn = 0.0
        if crank > 1.0 and driver.key and not self.cut and self.injected:
            air_gps = engine.litres * 0.88 * air.pressure_kpa / 100.0 * 1.13 * crank / 6.2832 * 2.0 / engine.strokes
            burn = air_gps / 14.7 / max(self.normal_lam, 0.5)
        self.pump_on = pump_on = driver.key and (
            crank > 3.0 or driver.starter or t - self.log.key[-1][0] < 2.5 or engine.fuel_system == "carburettor"
        )
        volts = self.ignition.volts(t, self.bus.voltage)
        pump_v = volts - 0.35 if pump_on and not self.pump_wire.is_open(t) else 0.0
        rail.step(dt, burn, air.pressure_kpa, pump_v, self.normal_bus.voltage - 0.35 if pump_on else 0.0)
        self._electrics(t, dt, crank, starter_a, pump_on, volts)
        self._heat(dt, crank, burn)

    def _knock(self, t: float, dt: float) -> None:
        """A knock from the road, more often the faster the car goes; landings always give one."""
        driver, spec = self.driver, self.spec
        peak = 0.0
        if driver.landings:
            driver.landings.pop()
            peak = self.random.uniform(2.5, 6.5)
        elif self.line.speed > 3.0 and self.random.random() < spec.knocks_per_metre * self.line.speed * dt:
            peak = 1.4 + self.random.expovariate(1.0 / spec.knock_scale_g)
        if peak:
            self.log.hits.append((t, min(peak, 8.0)))
            for fault in self.faults:
                fault.on_hit(t, peak, self.coolant)

    def _strengths(self) -> None:
        self.bus.health = 1.0
        for fault in self.faults:
            if fault.kind == "pump_tired":
                self.rail.pump_health = 1.0 - fault.strength
            elif fault.kind == "vapour":
                self.rail.vapour = fault.strength
            elif fault.kind == "surge":
                self.rail.uncovered = fault.strength
            elif fault.kind == "charging":
                self.bus.health = 1.0 - fault.strength
            elif fault.kind == "air_leak":
                self.air.leak = 0.25 * fault.strength

    def _electrics(self, t: float, dt: float, crank: float, starter_a: float, pump_on: bool, volts: float) -> None:
        spec, driver = self.spec, self.driver
        fan = driver.key and self.coolant > (92.0 if self.fan else 96.0)
        self.fan_since = t if fan and not self.fan else self.fan_since
        self.fan = fan
        self.load_a = 0.3
        if driver.key:
            self.load_a += (
                spec.base_load_a + spec.lamps_a + (self._fan_a(t) if self.fan else 0.0) + (5.0 if pump_on else 0.0)
            )
            self.load_a += 4.5 * self.ignition.dwell_share if crank > 1.0 else 0.0
        self.bus.step(dt, crank, self.load_a, starter_a)
        self.normal_bus.step(dt, crank, self.load_a, starter_a)
        if driver.key and not driver.starter:
            self.ignition.supply(t, volts)

    def _fan_a(self, t: float) -> float:
        """A fan motor takes four times its current while it runs up."""
        return self.spec.fan_a * (1.0 + 3.0 * math.exp(-(t - self.fan_since) / 0.15))

    def _heat(self, dt: float, crank: float, burn_gps: float) -> None:
        """Coolant: a third of the fuel's heat in, radiator out behind the thermostat; the bay follows."""
        spec, ambient = self.spec, self.conditions.ambient_degc
        mass = 9.0 + 5.0 * self.engine.litres
        flow = min(1.0, max(0.04, (self.coolant - spec.thermostat_degc) / 9.0))
        wind = 0.25 + 0.05 * self.line.speed + (0.45 if self.fan else 0.0)
        out = (0.02 + 0.62 * self.engine.litres**0.7 * min(wind, 1.4) * flow) * (self.coolant - ambient) / 2.0
        heat = 14.0 * burn_gps + (0.4 if crank > 40.0 else 0.0)
        self.coolant += (heat - out) * dt / (3.9 * mass * 0.55)
        goal = ambient + 0.55 * (self.coolant - ambient) * (1.25 if self.line.speed < 2.0 else 0.85)
        self.bay += (goal - self.bay) * min(1.0, dt / 45.0)

    def _states(self, t: float) -> tuple[float, ...]:
        driver, rail = self.driver, self.rail
        return (
            self.air.pressure_kpa, rail.pressure_kpa, rail.normal_kpa, self.bus.voltage, self.normal_bus.voltage,
            driver.throttle, self.line.speed, self.line.ax, driver.lateral_g, self.coolant, self.bay,
            float(self.pump_on), self.load_a, float(driver.gear), float(driver.running),
            float(t >= self.ignition.dead_until),
            float(self.injected and not self.cut),
        )  # fmt: skip
