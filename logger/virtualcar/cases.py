"""Generated events as capture folders, each with its truth beside it.

    python -m logger.virtualcar.cases OUT --count 20 --seed 1 --faults chafe_feed,healthy --engines four_injected

writes OUT/case_001 ... and OUT/truth/case_001.json ... Case and seed fix every byte.
"""

import argparse
import json
from collections.abc import Sequence
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv

from logger.event import FloatArray
from logger.virtualcar.ailments import possible
from logger.virtualcar.drive import Drive
from logger.virtualcar.faults import KINDS
from logger.virtualcar.garage import CARS, DRAWN, HELD_OUT, TUNED
from logger.virtualcar.generated import HEALTHY, Case, build_case
from logger.virtualcar.wires import WireFault, broken, sampled, tach_wire


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
