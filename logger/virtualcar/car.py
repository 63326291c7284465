"""The car put together and driven, one firing at a time.

Each step is one firing interval (10 ms at a standstill): the driver acts, the firing is lit or not, the crank turns
through one firing angle, and fuel, air, electrics, heat and faults follow by the time that took. What happened goes
into a Log, from which render.py makes signals and truth.py the truth.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from random import Random

from logger.virtualcar.combustion import Combustion
from logger.virtualcar.driveline import Chassis, Driveline
from logger.virtualcar.driver import Driver
from logger.virtualcar.electrics import Coil, Electrics, Starter
from logger.virtualcar.engine import CAUGHT_RPM, RPM, Air, EngineSpec, friction_kpa, idle_air_for
from logger.virtualcar.faults import Fault
from logger.virtualcar.fuel import Rail, pump_for
from logger.virtualcar.heat import Heat
from logger.virtualcar.ignition import Ignition, contact_of
from logger.virtualcar.log import Log
from logger.virtualcar.plan import Plan

STANDSTILL_S = 0.01
PUMP_A = 5.0
PRIMING_S = 2.5


@dataclass(frozen=True, slots=True)
class CarSpec:
    """A whole car: engine, chassis, electrics, and how rough the ground under it is (knocks per metre).

    boosted: share of the starter's current that the car's own battery gives, less than 1 with a booster pack.
    """

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


class Car:
    """A car with its faults, ready for one power-up."""

    def __init__(self, spec: CarSpec, plan: Plan, conditions: Conditions, faults: Sequence[Fault], seed: int) -> None:
        engine = spec.engine
        self.random = Random(seed)
        self.spec, self.engine, self.conditions, self.faults = spec, engine, conditions, list(faults)
        self.driver = Driver(
            plan=plan,
            random=Random(seed + 1),
            idle_rpm=engine.idle_rpm,
            redline_rpm=engine.redline_rpm,
            top_gear=len(spec.chassis.gears),
        )
        self.line = Driveline(spec.chassis, engine.inertia)
        self.air = Air(engine, idle_air_for(engine))
        self.rail = Rail(engine, pump_for(engine), conditions.rail_kpa, conditions.rail_kpa)
        self.ignition = Ignition(engine, spec.coil, self.faults, self.random)
        self.combustion = Combustion(engine, self.air, self.rail, self.ignition, self.faults, self.random)
        self.starter = Starter(engine.litres, spec.boosted)
        self.normal_bus = Electrics(spec.alternator_a, set_v=spec.set_v, surface_v=conditions.surface_v)
        self.bus = replace(self.normal_bus, capacity_ah=conditions.capacity_ah, used=conditions.used)
        self.heat = Heat(
            engine.litres, spec.thermostat_degc, conditions.ambient_degc, conditions.coolant_degc, conditions.bay_degc,
            spec.fan_a,
        )  # fmt: skip
        self.pump_wire = contact_of(self.faults, "pump_feed")
        self.nm_per_kpa = engine.litres / (math.pi * engine.strokes)
        self.log = Log()
        self.t = self.load_a = 0.0
        self.cylinder = 0
        self.key_was = self.pump_on = False

    def run(self) -> Log:
        """Drive the plan to its end."""
        for _ in self.driver.script():
            self._step()
        self.log.end_s = self.t
        return self.log

    def _step(self) -> None:
        driver, t, crank = self.driver, self.t, self.line.crank
        if driver.key != self.key_was:
            self.log.key.append((t, float(driver.key)))
            self.key_was = driver.key
        work, row = 0.0, self.combustion.no_spark(t, crank > 1.0)
        if crank > 1.0 and driver.key:
            spark = self.ignition.strike(t, crank, self.cylinder, self.bus.voltage, self.air.pressure_kpa)
            self.combustion.mix(t, crank, driver.throttle, self.heat.coolant_degc)
            work, row = self.combustion.burn(t, crank, self.cylinder, spark)
        dt, turned, starter_a = self._turn(work, crank)
        if crank > 1.0 and turned >= self.engine.firing_angle * 0.999:
            self.cylinder = (self.cylinder + 1) % self.engine.cylinders
        self.log.rows.append((t, dt, crank, turned, *row, *self._states(t), starter_a))
        self._follow(t, dt, crank, starter_a)
        self.t = driver.t = t + dt
        self._tell_driver()

    def _tell_driver(self) -> None:
        driver, line = self.driver, self.line
        driver.rpm, driver.speed_mps = line.crank * RPM, line.speed
        if line.mode == "spin" and not driver.spinning and not driver.airborne:
            driver.note("wheelspin")
        driver.spinning = line.mode == "spin"

    def _turn(self, work: float, crank: float) -> tuple[float, float, float]:
        """Turn the crank to the next firing: (time taken, angle, starter current); a moment where it rests."""
        line, angle, slope = self.line, self.engine.firing_angle, self.conditions.slope
        if crank <= 1.0 and not self.driver.starter:
            line.rest(STANDSTILL_S, self.driver, slope)
            return STANDSTILL_S, 0.0, 0.0
        torque, amps = self._crank_torque(work, crank), 0.0
        line.starter_inertia = 0.0
        if self.driver.starter:
            share = self.starter.share(torque, crank, self.engine.inertia, angle, self.bus.voltage)
            amps = self.starter.amps(share)
            torque += self.starter.stall_nm(self.bus.voltage) * share
            line.starter_inertia = self.starter.inertia if share > 0.0 else 0.0
        dt, turned = line.turn(torque, angle, self.driver, slope)
        return dt, turned, amps

    def _crank_torque(self, work: float, crank: float) -> float:
        """Net torque of one firing interval, N m: burnt work less friction, pumping and alternator."""
        pumping = max(0.0, self.air.upstream_kpa - self.air.pressure_kpa) if crank > 20.0 else 15.0
        cost = friction_kpa(crank, self.heat.coolant_degc) + pumping
        if crank * RPM < CAUGHT_RPM:
            cost *= 1.0 + self.random.gauss(0.0, 0.12)  # leaking compression differs from stroke to stroke
        return (work - cost) * self.nm_per_kpa - (self.bus.torque(crank) if crank > 40.0 else 0.0)

    def _follow(self, t: float, dt: float, crank: float, starter_a: float) -> None:
        """Let everything else follow by dt: throttle and air, road and faults, fuel, electrics, heat."""
        driver, air, engine = self.driver, self.air, self.engine
        before = driver.throttle
        driver.throttle += (driver.pedal - driver.throttle) * (1.0 - math.exp(-dt / 0.045))
        self.combustion.tip_in(dt, driver.throttle - before)
        aim = engine.idle_rpm / RPM * (1.0 + max(0.0, 60.0 - self.heat.coolant_degc) / 130.0)
        idling = driver.throttle < 0.02 and 25.0 < crank < 2.0 * engine.idle_rpm / RPM and driver.key
        air.step(dt, crank, driver.throttle, aim - crank if idling else 0.0)
        self._knock(t, dt)
        for fault in self.faults:
            fault.step(t, dt, self.heat.coolant_degc, air.pressure_kpa, driver.lateral_g)
        self._strengths()
        burn = self.combustion.burn_gps(crank) if driver.key else 0.0
        self._pump(t, dt, crank, burn)
        self._electrics(t, dt, crank, starter_a)
        self.heat.step(t, dt, burn, self.line.speed, driver.key)

    def _pump(self, t: float, dt: float, crank: float, burn_gps: float) -> None:
        """The pump primes for a moment and then runs with the engine; a carburettor's runs with the key."""
        turning = crank > 3.0 or self.driver.starter
        primes = self.driver.key and t - self.log.key[-1][0] < PRIMING_S
        always = self.engine.fuel_system == "carburettor"
        self.pump_on = self.driver.key and (turning or primes or always)
        fed = self.pump_on and not self.pump_wire.is_open(t)
        volts = self.ignition.volts(t, self.bus.voltage) - 0.35 if fed else 0.0
        normal = self.normal_bus.voltage - 0.35 if self.pump_on else 0.0
        self.rail.step(dt, burn_gps, self.air.pressure_kpa, volts, normal)

    def _electrics(self, t: float, dt: float, crank: float, starter_a: float) -> None:
        spec, key = self.spec, self.driver.key
        self.load_a = 0.3
        if key:
            self.load_a += spec.base_load_a + spec.lamps_a + self.heat.fan_amps(t) + PUMP_A * self.pump_on
            self.load_a += 4.5 * self.ignition.dwell_share if crank > 1.0 else 0.0
        volts = self.ignition.volts(t, self.bus.voltage)
        self.bus.step(dt, crank, self.load_a, starter_a)
        self.normal_bus.step(dt, crank, self.load_a, starter_a)
        if key and not self.driver.starter:
            self.ignition.supply(t, volts)

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
                fault.on_hit(t, peak, self.heat.coolant_degc)

    def _strengths(self) -> None:
        """Hand the strength of gradual faults to the part they weaken."""
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

    def _states(self, t: float) -> tuple[float, ...]:
        """The log's columns from manifold to clutch."""
        driver, rail, line = self.driver, self.rail, self.line
        return (
            self.air.pressure_kpa, rail.pressure_kpa, rail.normal_kpa, self.bus.voltage, self.normal_bus.voltage,
            driver.throttle, line.speed, line.ax, driver.lateral_g, self.heat.coolant_degc, self.heat.bay_degc,
            float(self.pump_on), self.load_a, float(driver.gear), float(driver.running),
            float(t >= self.ignition.dead_until), float(self.combustion.injected and not self.combustion.cut),
            driver.clutch,
        )  # fmt: skip
