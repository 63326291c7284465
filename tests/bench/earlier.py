"""How often a fault that is there all day is found against a car's earlier days, and a healthy day accused.

    python -m tests.bench.earlier --engines four_carburettor,drawn_05

Each car is driven on four healthy days that differ as days do (lamps, loads, regulators by a per cent), then on two
more healthy ones and on one with each fault; each of these is held against one, two and four of the first. The
held-out cars are not driven here.
"""

import argparse
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from random import Random

from logger.analysis import analyse
from logger.virtualcar.car import CarSpec
from logger.virtualcar.cases import names_of
from logger.virtualcar.garage import CARS, as_built
from tests.bench.quality import proportion
from tests.days import CHANNELS, always, day

FAULTS = (("charging", 1.0), ("charging", 0.6), ("pump_tired", 0.75), ("pump_tired", 0.65))
SEEN = {
    "with a throttle": (*CHANNELS, "throttle_position", "pump_feed_voltage", "engine_ground_drop"),
    "without": CHANNELS,
}


def today(spec: CarSpec, random: Random) -> CarSpec:
    """The car as it is on one day."""
    rail_kpa = spec.engine.rail_kpa * random.uniform(0.99, 1.01)
    return replace(
        spec,
        lamps_a=random.choice((0.0, 9.0)),
        base_load_a=spec.base_load_a + random.uniform(-1.0, 1.0),
        set_v=spec.set_v + random.uniform(-0.1, 0.1),
        engine=replace(spec.engine, rail_kpa=rail_kpa),
    )


def measure(cars: Sequence[str]) -> Counter[tuple[str, bool]]:
    """By what was driven, how often something was off."""
    found: Counter[tuple[str, bool]] = Counter()
    for car in cars:
        for how, channels in SEEN.items():
            random, spec = Random(f"{car} {how}"), as_built(CARS[car], Random(car))
            earlier = [analyse(day(today(spec, random), n, channels=channels)).normal for n in (1, 2, 3, 4)]
            for number in (5, 6):
                event = day(today(spec, random), number, channels=channels)
                for known in (earlier[:1], earlier[1:2], earlier[2:], earlier):
                    found["healthy days", bool(analyse(event, earlier=known).off_normal)] += 1
            for kind, depth in FAULTS:
                if kind == "pump_tired" and spec.engine.cylinders == 1:
                    continue  # fed by gravity
                event = day(today(spec, random), 8, [always(kind, depth)], channels=channels)
                alone = "found" if analyse(event).main_cause else "quiet"
                off = bool(analyse(event, earlier=earlier[:1]).off_normal)
                found[f"{kind} {depth} all day, {how}, alone {alone}", off] += 1
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure what earlier days tell of a day.")
    parser.add_argument("--engines", default="tuned", help="tuned, drawn, or names joined by commas")
    options = parser.parse_args()
    if "held_out" in options.engines:
        parser.error("the held-out cars are not driven here: use tuned or drawn ones")
    found = measure(names_of(options.engines))
    for what in sorted({what for what, _ in found}):
        print(f"{what:56} off: {proportion(found[what, True], found[what, True] + found[what, False])}")


if __name__ == "__main__":
    main()
