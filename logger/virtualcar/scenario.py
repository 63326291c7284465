"""Whole days: the demonstration event, and the courses and power-ups that events are made of."""

from dataclasses import replace
from datetime import UTC, datetime
from random import Random

import numpy as np

from logger.event import FloatArray
from logger.virtualcar.car import Car, CarSpec, Conditions
from logger.virtualcar.drive import DemoEvent, Drive
from logger.virtualcar.driveline import Chassis
from logger.virtualcar.edges import pulses_of
from logger.virtualcar.engine import EngineSpec
from logger.virtualcar.faults import Fault, Trigger
from logger.virtualcar.plan import Plan, Section
from logger.virtualcar.render import key_steps, signals_of
from logger.virtualcar.truth import truth_of

DEMO_CAR = CarSpec(
    name="an invented six-cylinder saloon",
    engine=EngineSpec(
        cylinders=6, litres=2.4, inertia=0.19, idle_rpm=850.0, redline_rpm=6200.0, peak_rpm=4000.0, rail_kpa=280.0
    ),
    chassis=Chassis(mass=1080.0, gears=(13.6, 8.2, 5.6, 4.1), clutch_nm=330.0, grip=0.85),
)


def course(random: Random, seconds: float, *, hill: bool = False, jumps: bool = True) -> tuple[Section, ...]:
    """A made-up course of about that length: straights, corners, lifts, sometimes a hand-brake turn or a jump."""
    sections: list[Section] = []
    total = 0.0
    while total < seconds:
        straight = random.uniform(2.0, 6.0) if hill else random.uniform(1.2, 4.0)
        gentle = random.random() < 0.25
        sections.append(Section("part" if gentle else "full", straight, pedal=random.uniform(0.35, 0.8)))
        pick = random.random()
        if pick < 0.60:
            bend = Section(
                "corner",
                random.uniform(0.7, 2.4),
                random.uniform(7.0, 15.0),
                random.choice((-1, 1)) * random.uniform(0.35, 0.9),
            )
        elif pick < 0.80:
            bend = Section("lift", random.uniform(0.3, 1.1))
        elif pick < 0.90 and not hill:
            bend = Section(
                "handbrake", random.uniform(0.4, 0.9), 0.0, random.choice((-1, 1)) * random.uniform(0.3, 0.7)
            )
        elif jumps:
            bend = Section("jump", random.uniform(0.12, 0.35))
        else:
            bend = Section("lift", random.uniform(0.3, 0.8))
        sections.append(bend)
        total += straight + bend.seconds + 1.0
    return tuple(sections)


def drive(
    spec: CarSpec, plan: Plan, conditions: Conditions, faults: list[Fault], seed: int, name: str, offset_s: float
) -> tuple[Drive, Car]:
    """Simulate one power-up and put its signals, pulses and truth together."""
    car = Car(spec, plan, conditions, faults, seed)
    car.run()
    marks = _marks(car, Random(seed + 5))
    result = Drive(
        name=name,
        duration_s=car.log.end_s,
        offset_s=offset_s,
        signals=signals_of(car, seed + 2),
        pulses={**pulses_of(car, seed + 3), "driver_marks": marks},
        steps={"key_sense": key_steps(car)},
        truth=truth_of(car, name),
    )
    return result, car


def _marks(car: Car, random: Random) -> FloatArray:
    """The driver presses the button a second or two after the worse stumbles, not always."""
    rows = [row for row in truth_of(car, "")["stumbles"] if row["effective_lost"] > 25 and random.random() < 0.4]
    times = [row["onset_s"] + random.uniform(0.9, 2.4) for row in rows]
    return np.array(sorted(t for t in times if t < car.log.end_s))


def demo_event(seed: int = 1) -> DemoEvent:
    """A hill-climb and autocross day of an invented six-cylinder car.

    A chafed coil feed wire opens on hard knocks; the first run is smooth. The trap: fuel pressure falls whenever
    the throttle closes, as a regulator that follows manifold vacuum makes it, which is harmless.
    """
    random = Random(seed * 1009 + 11)
    drives: list[Drive] = []
    offset, coolant = 0.0, 24.0
    stages = ((True, 48.0, 14.0), (False, 42.0, 8.0), (True, 50.0, 9.0), (False, 44.0, 8.0))
    for number, (hill, length, warm) in enumerate(stages, 1):
        # the insulation is not through yet on the first run
        trigger = Trigger(shock_g=3.8 if number > 1 else 9.0, shock_chance=0.6)
        fault = Fault("chafe_feed", trigger, Random(seed * 31 + number), median_s=0.22, spread=0.7, chatter=0.45)
        spec = replace(DEMO_CAR, knock_scale_g=0.45) if number == 1 else DEMO_CAR
        plan = Plan(
            prime_s=2.2, warm_s=warm, blips=1, course=course(random, length, hill=hill, jumps=number > 1), cool_s=6.0
        )
        conditions = Conditions(
            coolant_degc=coolant, bay_degc=max(24.0, coolant - 30.0), slope=0.05 if hill else 0.0,
            rail_kpa=0.0 if number == 1 else 160.0,
        )  # fmt: skip
        result, car = drive(spec, plan, conditions, [fault], seed * 97 + number, f"r{number:02d}", offset)
        drives.append(result)
        offset += round(car.log.end_s + random.uniform(900.0, 2100.0), 1)
        coolant = max(60.0, car.heat.coolant_degc - random.uniform(6.0, 16.0))
    return DemoEvent(
        name="Larkspur Ridge hill-climb and autocross day",
        engine=DEMO_CAR.engine.described(),
        drives=tuple(drives),
        started_utc=datetime(2026, 6, 13, 8, 40, tzinfo=UTC),
        truth={"main_cause": "ignition_primary", "component": "coil feed wire"},
    )


def commissioning(spec: CarSpec, seed: int, *, feed_s: float = 0.6, pump_s: float = 4.0) -> Drive:
    """A stationary recording in which the owner interrupts the coil feed twice, then the pump feed twice.

    feed_s, pump_s: how long the switch is held; a float bowl needs a long one before the engine notices.
    """
    plan = Plan(prime_s=2.0, warm_s=50.0 + 4.0 * pump_s, cool_s=3.0)
    random = Random(seed)
    feed, pump = Fault("chafe_feed", Trigger(), random), Fault("pump_feed", Trigger(), random)
    for at in (18.0, 24.0):
        feed.contact.schedule(at, feed_s, 0.0, random)
        feed.started.append(at)
    for at in (34.0, 42.0 + 2.0 * pump_s):
        pump.contact.schedule(at, pump_s, 0.0, random)
        pump.started.append(at)
    conditions = Conditions(coolant_degc=80.0, bay_degc=45.0, rail_kpa=0.5 * spec.engine.rail_kpa)
    return drive(spec, plan, conditions, [feed, pump], seed, "r01", 0.0)[0]
