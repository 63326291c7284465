"""The ignition of one car: whether each firing gets its coil switched and its spark, and whom to blame where not."""

import math
from collections.abc import Sequence
from random import Random
from typing import NamedTuple

from logger.virtualcar.electrics import Coil, spark_chance
from logger.virtualcar.engine import RPM, EngineSpec
from logger.virtualcar.faults import Contact, Fault

DEAD_BELOW_V = 5.8  # a control unit resets


class Spark(NamedTuple):
    """One firing's ignition. switched: the coil's primary was interrupted, which is what a tach wire on it sees;
    arced: current flowed in the coil lead; lit: a good mixture would burn; blame: index of the fault, or -1."""

    time: float
    switched: bool
    arced: bool
    lit: bool
    blame: int


class Ignition:
    """Coil, its feed and trigger, distributor and plugs, the rev limiter and the control unit that may reset."""

    def __init__(self, engine: EngineSpec, coil: Coil, faults: Sequence[Fault], random: Random) -> None:
        self.engine, self.coil, self.faults, self.random = engine, coil, faults, random
        lobes = Random(engine.cylinders * 7919)
        self.lobes = [math.radians(lobes.gauss(0.0, engine.timing_scatter_deg)) for _ in range(engine.cylinders)]
        self.wander = math.radians(0.4 * engine.timing_scatter_deg)
        dwell = min(engine.dwell_ms * 1e-3, 0.72 * engine.firing_angle * RPM / engine.redline_rpm)
        self.weakest_a = coil.current(14.0, dwell)
        self.feed = contact_of(faults, "chafe_feed")
        self.trigger = contact_of(faults, "chafe_trigger", "module_hot")
        # A control unit with a tach output of its own does not hear of a module that gave up behind it.
        apart = engine.tach_source == "control_unit"
        self.unit_trigger = contact_of(faults, "chafe_trigger") if apart else self.trigger
        self.earth = contact_of(faults, "ground")
        self.ground_depth = next((fault.depth for fault in faults if fault.kind == "ground"), 0.0)
        self.limited = False
        self.dead_until = -1.0
        self.dwell_share = 0.0
        self.stray: list[float] = []

    def blame(self, *kinds: str) -> int:
        """Index of the first fault of these kinds that the car has, or -1."""
        return next((index for index, fault in enumerate(self.faults) if fault.kind in kinds), -1)

    def limit(self, crank: float) -> None:
        """The rev limiter bites at the redline and lets go a little below."""
        rpm = crank * RPM
        if rpm > self.engine.redline_rpm:
            self.limited = self.engine.limiter != "none"
        elif rpm < self.engine.redline_rpm - 120.0:
            self.limited = False

    def volts(self, t: float, bus: float) -> float:
        """System voltage at t, which falls within milliseconds while the battery ground is open."""
        if not self.earth.is_open(t):
            return bus
        since = t - (self.earth.opened_before(t) or t)
        return bus * (1.0 - 0.75 * self.ground_depth * (1.0 - math.exp(-since / 0.004)))

    def supply(self, t: float, volts: float) -> None:
        """A control unit that the supply fails resets, and needs a moment to count teeth again."""
        if self.engine.electronic and volts < DEAD_BELOW_V and t > self.dead_until:
            self.dead_until = t + self.random.uniform(0.02, 0.18)

    def strike(self, t: float, crank: float, cylinder: int, bus: float, manifold_kpa: float) -> Spark:
        """Spark of the firing whose top dead centre is at t; it lies earlier by the advance."""
        engine = self.engine
        early = math.radians(8.0 + (24.0 * min(1.0, crank * RPM / 3200.0) if crank > 45.0 else 0.0))
        # a distributor's shaft and advance weights wander by some tenths of a degree from firing to firing
        early += self.lobes[cylinder] + self.random.gauss(0.0, self.wander)
        at = t - early / crank
        self.limit(crank)
        if t < self.dead_until:
            return Spark(at, False, False, False, self.blame("ground", "charging"))
        if self.limited and engine.limiter == "spark":
            return Spark(at, False, False, False, -1)
        interval = engine.firing_angle / crank
        dwell = min(engine.dwell_ms * 1e-3, 0.72 * interval)
        self.dwell_share = dwell / interval
        triggered = self.trigger.closed_since(at, at - dwell)
        if triggered > at - 0.7 * dwell:
            return Spark(at, False, False, False, self.blame("chafe_trigger", "module_hot"))
        fed = self.feed.closed_since(at, at - dwell)
        if fed > at - 0.35 * dwell:
            self._arc_at_the_break(at, dwell)
            return Spark(at, False, False, False, self.blame("chafe_feed"))
        volts = self.volts(at, bus)
        if volts < 4.5:
            return Spark(at, False, False, False, self.blame("ground", "charging"))
        reserve = self.coil.reserve(volts, at - max(fed, triggered), manifold_kpa, self.weakest_a, engine.boost_kpa)
        lit = self.random.random() < spark_chance(reserve)
        weak = self.blame("ground", "charging") if volts < 11.0 else self.blame("chafe_feed")
        return self._high_tension(Spark(at, True, lit, lit, weak), cylinder, manifold_kpa)

    def _high_tension(self, spark: Spark, cylinder: int, manifold_kpa: float) -> Spark:
        """What coil lead, cap and plugs make of a spark."""
        for index, fault in enumerate(self.faults):
            if not fault.contact.is_open(spark.time):
                continue
            chance = {
                "coil_lead": 0.96,
                "plug": 0.9 if cylinder == fault.cylinder else 0.0,
                "crossfire": 0.45 * min(1.4, manifold_kpa / 70.0),
            }.get(fault.kind, 0.0)
            if chance and self.random.random() < chance:
                if fault.noise and self.random.random() < fault.noise:
                    self.stray.append(spark.time + self.random.uniform(2e-4, 1.4e-3))
                return Spark(spark.time, True, spark.arced and fault.kind != "coil_lead", False, index)
        return spark

    def _arc_at_the_break(self, at: float, dwell: float) -> None:
        """A feed that opens with current in the coil collapses its field then and there: a pulse out of time."""
        opened = self.feed.opened_before(at)
        index = self.blame("chafe_feed")
        if opened is not None and opened > at - 0.8 * dwell and self.random.random() < self.faults[index].noise:
            self.stray.append(opened + 1e-5)


def contact_of(faults: Sequence[Fault], *kinds: str) -> Contact:
    """The contact of the first fault of these kinds, or one that never opens."""
    return next((fault.contact for fault in faults if fault.kind in kinds), Contact())
