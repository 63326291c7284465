"""Whole days of one virtual car, as the logger would have recorded them: healthy, or with a fault that is always on."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from random import Random

from logger.event import Event
from logger.virtualcar.car import CarSpec, Conditions
from logger.virtualcar.faults import Fault, Trigger
from logger.virtualcar.garage import TUNED
from logger.virtualcar.generated import Case
from logger.virtualcar.plan import Plan
from logger.virtualcar.scenario import course, drive
from logger.virtualcar.wires import sensing_for
from tests.bench.states import event_of

CHANNELS = (
    "battery_voltage",
    "ignition_feed_voltage",
    "fuel_pressure",
    "coolant_temperature",
    "acceleration",
    "tach_pulses",
    "key_sense",
)


def always(kind: str, depth: float) -> Fault:
    """A fault of a gradual kind that is there from the first second on, cold and hot, without load and with it."""
    return Fault(kind, Trigger(), Random(1), depth=depth)


def day(
    car: str | CarSpec,
    seed: int,
    faults: Sequence[Fault] = (),
    *,
    channels: Sequence[str] = (*CHANNELS, "throttle_position"),
    runs: int = 3,
    capacity_ah: float = 40.0,
    used: float = 0.05,
) -> Event:
    """A day of short runs. capacity_ah, used: of the battery, which a charging system that is down empties."""
    spec = TUNED[car] if isinstance(car, str) else car
    random = Random(f"day {seed}")
    drives, coolant, offset_s = [], 45.0, 0.0
    for number in range(runs):
        plan = Plan(2.0, 8.0, 1, course(random, 30.0), False, 4.0)
        conditions = Conditions(
            coolant_degc=coolant, bay_degc=coolant - 20.0, capacity_ah=capacity_ah, used=used,
            rail_kpa=0.4 * spec.engine.rail_kpa if number else 0.0,
        )  # fmt: skip
        today = [replace(fault, random=Random(f"{seed}/{number}")) for fault in faults]
        result, driven = drive(spec, plan, conditions, today, seed * 100 + number, f"r{number + 1:02d}", offset_s)
        drives.append(result)
        coolant, offset_s = max(60.0, driven.heat.coolant_degc - 8.0), offset_s + result.duration_s + 900.0
        used = driven.bus.used
    sensing = replace(sensing_for(spec.engine.rail_kpa, Random(3)), reads_supply=True, open_reads="empty")
    case = Case(
        f"day {seed}", "healthy", spec, spec.engine.described(), drives, sensing, list(channels), {}, None, {},
        datetime(2026, 5, 9, 8, 0, tzinfo=UTC),
    )  # fmt: skip
    return replace(event_of(case, seed), started_utc=case.started_utc)
