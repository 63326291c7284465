"""How often does the start check cry wolf, and what does it miss? Through real drivers on emulated chips.

    python -m tests.bench.check --starts 1000

Prints, for healthy starts drawn at random, how many lines said look and stop, standing and idling, and for each sensor
fault on such starts the share in which its own line said something.
"""

import argparse
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

from logger.check import lines, watch
from logger.store.store import Store
from tests.check.bench import Bench, part_of, torn
from tests.check.starts import IDLE_FROM_S, Start, a_start

FAULTS = ("battery_voltage", "ignition_feed_voltage", "sensor_supply_voltage", "fuel_pressure", "coolant_temperature",
          "throttle_position", "air_fuel_ratio", "tach_pulses")  # fmt: skip
WATCHED_S = 3.5


def stretches(start: Start) -> Iterator[tuple[str, float]]:
    """Key on with the engine still standing, and idling: names and times from which to look."""
    if start.crank_s > WATCHED_S:
        yield "standing", start.crank_s - WATCHED_S
    yield "idling", start.crank_s + IDLE_FROM_S


def verdicts(start: Start, from_s: float, store: Store, fault: str = "") -> dict[str, str]:
    """Subjects whose line said look or stop, with one wire torn."""
    drive = part_of(start, from_s, from_s + WATCHED_S)
    if fault == "tach_pulses":
        drive = replace(drive, pulses={**drive.pulses, fault: drive.pulses[fault][:0]})
    elif fault:
        drive = torn(drive, fault)
    bench = Bench(drive, start.settings)
    seen = watch.from_hardware(start.settings, store, bench.clock, bench.open_hardware)
    return {item.subject: item.verdict for item in lines(seen.observation, seen.settings) if item.verdict != "ok"}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--starts", type=int, default=200)
    parser.add_argument("--first", type=int, default=10_000, help="first seed, so that other cars can be drawn")
    args = parser.parse_args()
    healthy: Counter[tuple[str, str, str]] = Counter()
    seen: Counter[tuple[str, str]] = Counter()
    looked: Counter[tuple[str, str]] = Counter()
    with TemporaryDirectory() as folder, Store(Path(folder)) as store:
        for seed in range(args.first, args.first + args.starts):
            start = a_start(seed)
            fault = FAULTS[seed % len(FAULTS)]
            for name, from_s in stretches(start):
                for subject, verdict in verdicts(start, from_s, store).items():
                    healthy[name, subject, verdict] += 1
                if (name, fault) != ("standing", "tach_pulses"):  # which is silent then
                    looked[name, fault] += 1
                    seen[name, fault] += fault in verdicts(start, from_s, store, fault)
    print(f"{args.starts} healthy starts, lines that said something:")
    for (name, subject, verdict), count in sorted(healthy.items()):
        print(f"  {name:8} {verdict:4} {subject:24} {count}")
    print("sensor faults seen by their own line:")
    for (name, fault), count in sorted(seen.items()):
        print(f"  {name:8} {fault:24} {count} of {looked[name, fault]}")


if __name__ == "__main__":
    main()
