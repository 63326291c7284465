"""One event drawn at random: car and fault, power-ups, what is fitted, what fails on the wires, a repair."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from random import Random
from typing import Any

from logger.event import Engine
from logger.virtualcar.ailments import sick
from logger.virtualcar.car import Car, CarSpec, Conditions
from logger.virtualcar.drive import Drive, clipped
from logger.virtualcar.faults import KINDS, Fault
from logger.virtualcar.garage import CARS, as_built
from logger.virtualcar.plan import Plan
from logger.virtualcar.scenario import course, drive
from logger.virtualcar.verdicts import event_truth, repair_truth
from logger.virtualcar.wires import Sensing, WireFault, draw_wire_faults, sensing_for

HEALTHY = "healthy"
BASE = (
    "battery_voltage",
    "ignition_feed_voltage",
    "fuel_pressure",
    "coolant_temperature",
    "acceleration",
    "tach_pulses",
)
OFTEN = {
    "sensor_supply_voltage": 0.75, "throttle_position": 0.6, "air_fuel_ratio": 0.4, "spark_pulses": 0.25,
    "key_sense": 0.65, "pump_feed_voltage": 0.2, "engine_ground_drop": 0.15, "injector_pulses": 0.15,
    "crank_pulses": 0.08, "under_bonnet_temperature": 0.2, "driver_marks": 0.4,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Case:
    """A generated event before it is written: what was driven, how it is sensed, and which wires fail."""

    name: str
    kind: str
    spec: CarSpec
    engine: Engine
    drives: list[Drive]
    sensing: Sensing
    channels: list[str]
    wires: dict[str, list[WireFault]]
    repair: dict[str, Any] | None
    truth: dict[str, Any]
    started_utc: datetime


def build_case(name: str, seed: int, fault_kind: str, car_name: str, *, repair: bool | None = None) -> Case:
    """Drive one event. fault_kind: a key of KINDS, two joined by "+", or "healthy"; car_name: a key of CARS.

    Raises KeyError for an unknown fault or car.
    """
    random = Random(f"{seed}/{fault_kind}/{car_name}")
    spec = as_built(CARS[car_name], random)
    faults = [] if fault_kind == HEALTHY else [_fault(kind, spec, random) for kind in fault_kind.split("+")]
    if any(fault.kind == "charging" for fault in faults):
        spec = replace(spec, boosted=0.2)
    kind = "bench" if random.random() < 0.1 else "competition"
    with_repair = bool(faults) and kind == "competition" and (random.random() < 0.15 if repair is None else repair)
    outcome = random.choice(("gone", "gone", "unchanged", "reduced")) if with_repair else None
    n_drives = random.randint(5, 6) if with_repair else 2 if kind == "bench" else random.randint(3, 4)
    repaired_after = n_drives // 2 if with_repair else n_drives
    drives, cars = _drive_all(spec, faults, kind, n_drives, repaired_after, outcome, random, seed)
    if random.random() < 0.2:  # a logger fed from the ignition switch sees nothing before and after
        drives = [_ignition_fed(recording) for recording in drives]
    sensing = sensing_for(spec.engine.rail_kpa, random)
    channels = _channels(spec, random)
    if "sensor_supply_voltage" not in channels:
        sensing = replace(sensing, reads_supply=False)
    wires: dict[str, list[WireFault]] = {}
    if random.random() < 0.25:
        wires = draw_wire_faults(channels, drives, random)
    if random.random() < 0.12:
        chosen = random.choice(drives)
        at = random.uniform(12.0, max(13.0, chosen.duration_s - 8.0))
        wires.setdefault(chosen.name, []).append(WireFault("all", at, at + random.uniform(0.6, 3.0), "gap"))
    done = None
    if with_repair and outcome is not None:
        last = drives[repaired_after - 1]
        what = f"renewed {KINDS[faults[0].kind].component}"
        done = {"offset_s": round(last.offset_s + last.duration_s + 120.0, 1), "what": what, "suspect": faults[0].cause}
    truth = event_truth(name, kind, spec, faults, drives, cars, wires, channels)
    if done is not None and outcome is not None:
        truth["repairs"] = [repair_truth(done, outcome, faults[0], truth, cars, repaired_after)]
    started = datetime(
        2026, random.randint(4, 10), random.randint(1, 28), random.randint(8, 10), random.randint(0, 59), tzinfo=UTC
    )
    return Case(name, kind, spec, _described(spec, random), drives, sensing, channels, wires, done, truth, started)


def _ignition_fed(recording: Drive) -> Drive:
    times, values = recording.steps["key_sense"]
    on, off = times[values > 0.5], times[1:][values[1:] < 0.5]
    return clipped(recording, float(on[0]) + 0.4, float(off[-1]) + 0.3)


def _fault(kind: str, spec: CarSpec, random: Random) -> Fault:
    return sick(kind, random.choice(KINDS[kind].usual), spec, random)


def _described(spec: CarSpec, random: Random) -> Engine:
    """The engine as its owner describes it, who does not always fill in every field."""
    engine = spec.engine.described()
    needed = spec.engine.pulses_per_revolution != spec.engine.cylinders * 2.0 / spec.engine.strokes
    if needed or random.random() < 0.5:
        return engine
    return replace(engine, tach_source=None, fuel_system=None if random.random() < 0.5 else engine.fuel_system)


def _channels(spec: CarSpec, random: Random) -> list[str]:
    extra = [channel for channel, share in OFTEN.items() if random.random() < share]
    if spec.engine.fuel_system in ("carburettor", "mechanical_injection"):
        extra = [channel for channel in extra if channel != "injector_pulses"]
    if spec.engine.tach_source in ("ignition_module", "control_unit", "crank"):
        extra = [channel for channel in extra if channel != "spark_pulses"]  # no single coil lead to clamp
    base = [channel for channel in BASE if channel == "tach_pulses" or random.random() < 0.96]
    return [*base, *extra]


def _drive_all(
    spec: CarSpec,
    faults: list[Fault],
    kind: str,
    n: int,
    repaired_after: int,
    outcome: str | None,
    random: Random,
    seed: int,
) -> tuple[list[Drive], list[Car]]:
    """The day's power-ups one after the other, the car cooling down in between."""
    drives: list[Drive] = []
    cars: list[Car] = []
    offset, coolant, used = 0.0, random.uniform(40.0, 72.0), random.uniform(0.55, 0.75)
    for number in range(1, n + 1):
        present = [fault for fault in faults if number <= repaired_after or outcome != "gone"]
        today = [
            _for_drive(fault, Random(f"{seed}/{number}/{fault.kind}"), number > repaired_after, outcome)
            for fault in present
        ]
        weak = any(fault.kind == "charging" for fault in faults)
        conditions = Conditions(
            coolant_degc=coolant, bay_degc=max(25.0, coolant - random.uniform(20.0, 40.0)),
            ambient_degc=random.uniform(12.0, 30.0),
            rail_kpa=0.0 if number == 1 else spec.engine.rail_kpa * random.uniform(0.0, 0.8),
            capacity_ah=0.8 if weak else 40.0, used=used if weak else 0.05, slope=random.choice((0.0, 0.0, 0.04, 0.07)),
        )  # fmt: skip
        result, car = drive(
            spec, _plan(kind, random), conditions, today, _drive_seed(seed, number), f"r{number:02d}", round(offset, 1)
        )
        drives.append(result)
        cars.append(car)
        offset += car.log.end_s + random.choice((random.uniform(240.0, 700.0), random.uniform(700.0, 2400.0)))
        coolant = max(35.0, car.heat.coolant_degc - random.uniform(-6.0, 22.0))
    return drives, cars


def _drive_seed(seed: int, number: int) -> int:
    """A seed for one power-up, the same on every machine."""
    return (seed * 1_000_003 + number * 7_919) % 2_000_000_011


def _for_drive(fault: Fault, random: Random, after: bool, outcome: str | None) -> Fault:
    """The fault as it is on this power-up, with its own generator; a half-done repair makes it rarer."""
    trigger = fault.trigger
    if after and outcome == "reduced":
        trigger = replace(trigger, shock_chance=trigger.shock_chance * 0.45, rate_hz=trigger.rate_hz * 0.45)
    return Fault(
        fault.kind, trigger, random, fault.median_s, fault.spread, fault.chatter, fault.depth, fault.fatal_chance,
        fault.cylinder, how=fault.how, noise=fault.noise,
    )  # fmt: skip


def _plan(kind: str, random: Random) -> Plan:
    prime, cool = random.uniform(1.2, 3.0), random.uniform(3.0, 8.0)
    if kind == "bench":
        holds = tuple(random.uniform(1500.0, 3500.0) for _ in range(random.randint(2, 5)))
        return Plan(prime, random.uniform(15.0, 30.0), random.randint(2, 5), (), False, cool, holds)
    return Plan(
        prime, random.uniform(6.0, 14.0), random.randint(0, 2), course(random, random.uniform(28.0, 55.0),
        hill=random.random() < 0.4),
        random.random() < 0.08, cool, (), random.uniform(0.86, 0.99), random.choice((0.0, 0.0, 0.3)),
    )  # fmt: skip
