"""Generated events as capture folders, each with its truth beside it.

    python -m logger.virtualcar.cases OUT --count 20 --seed 1 --faults chafe_feed,healthy --engines four_injected

writes OUT/case_001 ... and OUT/truth/case_001.json ... Case and seed fix every byte.
"""

import argparse
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv

from logger.event import Engine, FloatArray
from logger.virtualcar.car import Car, CarSpec, Conditions
from logger.virtualcar.drive import Drive, clipped
from logger.virtualcar.driver import Plan
from logger.virtualcar.faults import KINDS, Fault
from logger.virtualcar.garage import CARS, DRAWN, HELD_OUT, TUNED, as_built, possible, sick
from logger.virtualcar.scenario import course, drive
from logger.virtualcar.verdicts import event_truth, repair_truth
from logger.virtualcar.wires import Sensing, WireFault, broken, draw_wire_faults, sampled, sensing_for, tach_wire

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
            spec, _plan(kind, random), conditions, today, hash_seed(seed, number), f"r{number:02d}", round(offset, 1)
        )
        drives.append(result)
        cars.append(car)
        offset += car.log.end_s + random.choice((random.uniform(240.0, 700.0), random.uniform(700.0, 2400.0)))
        coolant = max(35.0, car.heat.coolant_degc - random.uniform(-6.0, 22.0))
    return drives, cars


def hash_seed(seed: int, number: int) -> int:
    """A seed for one power-up, the same on every machine."""
    return (seed * 1_000_003 + number * 7_919) % 2_000_000_011


def _for_drive(fault: Fault, random: Random, after: bool, outcome: str | None) -> Fault:
    """The fault as it is on this power-up, with its own generator; a half-done repair makes it rarer."""
    trigger = fault.trigger
    if after and outcome == "reduced":
        trigger = replace(trigger, shock_chance=trigger.shock_chance * 0.45, rate_hz=trigger.rate_hz * 0.45)
    return Fault(
        fault.kind, trigger, random, fault.median_s, fault.spread, fault.chatter, fault.depth, fault.fatal_chance,
        fault.cylinder, how=fault.how,
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


def write_case(
    folder: Path, truth_path: Path, seed: int, fault_kind: str, engine: str, *, repair: bool | None = None
) -> dict[str, Any]:
    """Drive one event and write its capture folder and truth; returns the truth."""
    case = build_case(folder.name, seed, fault_kind, engine, repair=repair)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "capture.toml").write_text(_toml(case), encoding="utf-8")
    random = np.random.default_rng(seed + 17)
    for recording in case.drives:
        place = folder / recording.name
        place.mkdir(exist_ok=True)
        for channel, columns in recorded(case, recording, random).items():
            table = pa.table({name: pa.array(column, from_pandas=True) for name, column in columns.items()})
            pa_csv.write_csv(table, place / f"{channel}.csv", pa_csv.WriteOptions(quoting_style="none"))
    truth_path.parent.mkdir(parents=True, exist_ok=True)
    truth_path.write_text(json.dumps(case.truth, indent=1), encoding="utf-8")
    return case.truth


def recorded(case: Case, recording: Drive, random: np.random.Generator) -> dict[str, dict[str, FloatArray]]:
    """Columns of each CSV file of one recording, with the wires' faults and gaps in them."""
    wires = case.wires.get(recording.name, [])
    result: dict[str, dict[str, FloatArray]] = {}
    for channel in case.channels:
        if channel in recording.pulses:
            times = recording.pulses[channel]
            for fault in wires:
                if fault.channel == channel:
                    times = tach_wire(times, fault, random)
            if channel == "spark_pulses":
                times = times[random.random(times.size) < case.sensing.clamp_share]
            if channel != "driver_marks":
                times = np.sort(np.maximum(times + random.normal(0.0, case.sensing.jitter_s, times.size), 0.0))
            result[channel] = {"time_s": np.round(times, 6)}
        elif channel in recording.steps:
            times, values = recording.steps[channel]
            result[channel] = {"time_s": np.round(times, 6), "value": values}
        else:
            time, value = sampled(recording, channel, case.sensing, random)
            for fault in wires:
                if fault.channel == channel:
                    value = broken(time, value, fault, case.sensing, random)
            names = ("x_g", "y_g", "z_g") if value.ndim == 2 else ("value",)
            columns = value.T if value.ndim == 2 else value[None, :]
            result[channel] = {"time_s": time, **dict(zip(names, columns, strict=True))}
    for fault in wires:
        if fault.kind == "gap":
            result = {channel: _without(columns, fault) for channel, columns in result.items()}
    return result


def _without(columns: dict[str, FloatArray], gap: WireFault) -> dict[str, FloatArray]:
    keep = (columns["time_s"] < gap.from_s) | (columns["time_s"] > gap.to_s)
    return {name: column[keep] for name, column in columns.items()}


def _toml(case: Case) -> str:
    engine = case.engine
    lines = [
        'format = "capture-folder"',
        "version = 1",
        "",
        "[event]",
        f'name = "Generated event {case.name}"',
        f'kind = "{case.kind}"',
    ]
    lines += [
        f"started_utc = {case.started_utc:%Y-%m-%dT%H:%M:%SZ}",
        "",
        "[engine]",
        f"cylinders = {engine.cylinders}",
        f"strokes = {engine.strokes}",
    ]
    lines.append(f"tach_pulses_per_revolution = {engine.pulses_per_revolution}")
    lines += [f'tach_source = "{engine.tach_source}"'] if engine.tach_source else []
    lines += [f'fuel_system = "{engine.fuel_system}"'] if engine.fuel_system else []
    lines += [f"idle_rpm = {engine.idle_rpm:.0f}", f"redline_rpm = {engine.redline_rpm:.0f}"]
    for recording in case.drives:
        lines += ["", "[[recordings]]", f'folder = "{recording.name}"', f"offset_s = {recording.offset_s:.2f}"]
    if case.repair:
        lines += [
            "",
            "[[repairs]]",
            f"offset_s = {case.repair['offset_s']}",
            f'what = "{case.repair["what"]}"',
            f'suspect = "{case.repair["suspect"]}"',
        ]
    return "\n".join(lines) + "\n"


def choose(number: int, seed: int, faults: Sequence[str], cars: Sequence[str]) -> tuple[str, str]:
    """Fault kind and car of case `number`: kinds in turn, cars at random among those that can have it."""
    random = Random(f"{seed}:{number}")
    kind = faults[number % len(faults)]
    able = [name for name in cars if all(k == HEALTHY or k in possible(CARS[name]) for k in kind.split("+"))]
    if able:
        return kind, random.choice(able)
    return HEALTHY, random.choice(list(cars))


def names_of(cars: str) -> list[str]:
    """Car names from "tuned", "drawn", "held_out", "all" (tuned and held out) or names joined by commas.

    Raises KeyError for an unknown one.
    """
    known = [*TUNED, *HELD_OUT]
    groups = {"tuned": list(TUNED), "drawn": list(DRAWN), "held_out": list(HELD_OUT), "all": known}
    names = groups.get(cars) or cars.split(",")
    for name in names:
        if name not in CARS:
            there = ", ".join([*known, f"{min(DRAWN)} to {max(DRAWN)}"])
            raise KeyError(f"no car {name!r}; there are {there}, and the groups {', '.join(groups)}")
    return names


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description="Write generated events as capture folders, with their truth.")
    parser.add_argument("out", type=Path)
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--faults", default=",".join([*KINDS, HEALTHY, HEALTHY]), help="kinds joined by commas, two in one event by +"
    )
    parser.add_argument("--engines", default="tuned", help="tuned, drawn, held_out, all, or names joined by commas")
    options = parser.parse_args(arguments)
    faults, cars = options.faults.split(","), names_of(options.engines)
    for number in range(options.count):
        kind, car = choose(number, options.seed, faults, cars)
        name = f"case_{number + 1:03d}"
        truth = write_case(
            options.out / name, options.out / "truth" / f"{name}.json", options.seed * 10_007 + number, kind, car
        )
        print(f"{name}: {car}, {kind}: {len(truth['stumbles'])} stumbles in {truth['running_s']:.0f} s of running")


if __name__ == "__main__":
    main()
