"""Which faults a car can have, and what each of them is like on a given day."""

from dataclasses import replace
from random import Random

from logger.virtualcar.car import CarSpec
from logger.virtualcar.faults import KINDS, Fault, Trigger


def possible(car: CarSpec) -> list[str]:
    """Kinds of fault that a car of this type can have."""
    engine = car.engine
    kinds = set(KINDS)
    if engine.cylinders == 1:
        kinds -= {"plug", "crossfire"}
    if engine.tach_source != "coil_negative":
        kinds -= {"crossfire", "coil_lead"}
    if engine.fuel_system == "carburettor":
        kinds -= (
            {"injector_drive", "pump_tired", "surge", "pump_feed", "vapour"}
            if engine.cylinders == 1
            else {"injector_drive", "surge"}
        )
    if engine.fuel_system == "mechanical_injection":
        kinds -= {"injector_drive"}
    return sorted(kinds)


def sick(kind: str, how: str, car: CarSpec, random: Random) -> Fault:
    """A fault of that kind, brought out in the given way, its severity drawn afresh; its own generator comes later."""
    # a soft joint answers moderate knocks nearly always, a stiff one only the hard ones
    level = random.uniform(2.2, 3.6)
    shock = {"shock_g": level, "shock_chance": random.uniform(0.45, 0.9)}
    heat = {"heat_degc": random.uniform(78.0, 86.0), "heat_span": random.uniform(4.0, 8.0)}
    rate = random.uniform(0.05, 0.2)
    trigger = {
        "shock": Trigger(**shock),
        "heat": Trigger(rate_hz=rate, **heat),
        "both": Trigger(**shock, **heat),
        "load": Trigger(rate_hz=1.4 * rate, load_kpa=80.0),
        "lateral": Trigger(lateral_g=random.uniform(0.38, 0.6)),
        "random": Trigger(rate_hz=0.6 * rate),
    }[how]
    fault = Fault(kind, trigger, random, random.uniform(0.1, 0.35), random.uniform(0.6, 1.0), random.uniform(0.1, 0.7))
    fault.how, fault.noise = how, random.choice((0.0, 0.0, 0.05, 0.25))
    _character(fault, car, random)
    return fault


def _character(fault: Fault, car: CarSpec, random: Random) -> None:
    """What is particular to the kind: how long, how deep, how likely to be the end of the day."""
    kind = fault.kind
    # a float bowl rides out what an injection rail does not
    slow = 5.0 if car.engine.fuel_system == "carburettor" else 1.0
    if kind in ("chafe_feed", "chafe_trigger", "module_hot", "coil_lead"):
        fault.fatal_chance = random.choice((0.0, 0.0, 0.03))
    if kind in ("plug", "crossfire"):
        fault.median_s, fault.chatter = random.uniform(0.5, 1.6), 0.0
        fault.cylinder = random.randrange(car.engine.cylinders)
    if kind == "ground":
        fault.depth, fault.chatter = random.uniform(0.75, 1.0), random.uniform(0.0, 0.4)
    if kind == "charging":
        fault.trigger = replace(fault.trigger, rate_hz=0.0)
    if kind == "pump_tired":
        fault.depth = random.uniform(0.80, 0.92) if slow > 1.0 else random.uniform(0.70, 0.84)
        fault.trigger = replace(fault.trigger, rate_hz=0.0, load_kpa=0.0)
    if kind == "vapour":
        fault.depth, fault.median_s, fault.chatter = random.uniform(0.75, 0.97), random.uniform(0.8, 2.5) * slow, 0.0
        fault.trigger = replace(fault.trigger, rate_hz=0.5 * fault.trigger.rate_hz)
    if kind == "surge":
        fault.depth, fault.chatter = random.uniform(0.9, 1.0), 0.0
    if kind == "pump_feed":
        fault.median_s = random.uniform(0.5, 1.5) * slow
        fault.fatal_chance = random.choice((0.0, 0.05))
    if kind == "air_leak":
        fault.median_s, fault.chatter = random.uniform(0.5, 1.5), 0.0
