"""How the findings hold where a logger has less, or worse, than its events were driven with.

    python -m tests.bench.variations --events 60 --seed 5
    python -m tests.bench.variations --only without_fuel_pressure,bounces_one_in_five

The same generated events, with their truth, are analysed as they are and once for each variation: a channel taken out,
sampled more seldom, noisy, a tach wire that bounces or loses pulses, an owner who gave no redline. What is found less
is the price of it; what is found falsely is more than that.
"""

import argparse
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from logger.analysis import analyse
from logger.event import NS_PER_S, Event, IntArray, Trace
from logger.store.capture import read_folder
from logger.virtualcar.cases import choose, names_of, write_case
from logger.virtualcar.faults import KINDS
from logger.virtualcar.garage import HELD_OUT
from logger.virtualcar.generated import HEALTHY
from tests.bench.quality import Tally

Variation = Callable[[Event, np.random.Generator], Event]
SAMPLED = ("battery_voltage", "ignition_feed_voltage", "fuel_pressure", "throttle_position", "acceleration")
NEVER_THINNED = "key_sense"


def without(*channels: str) -> Variation:
    """The event of a logger that lacks these channels."""

    def vary(event: Event, random: np.random.Generator) -> Event:
        kept = (
            replace(
                recording,
                traces={name: trace for name, trace in recording.traces.items() if name not in channels},
                pulses={name: times for name, times in recording.pulses.items() if name not in channels},
            )
            for recording in event.recordings
        )
        return replace(event, recordings=tuple(kept))

    return vary


def now_and_then(channel: str) -> Variation:
    """Every other recording lacks this channel, as of a sensor that came off and was mended."""

    def vary(event: Event, random: np.random.Generator) -> Event:
        bare = without(channel)(event, random).recordings
        return replace(
            event,
            recordings=tuple(bare[k] if k % 2 else recording for k, recording in enumerate(event.recordings)),
        )

    return vary


def sampled(change: Callable[[str, Trace, np.random.Generator], Trace]) -> Variation:
    """The event with every sampled channel changed."""

    def vary(event: Event, random: np.random.Generator) -> Event:
        changed = (
            replace(recording, traces={name: change(name, trace, random) for name, trace in recording.traces.items()})
            for recording in event.recordings
        )
        return replace(event, recordings=tuple(changed))

    return vary


def seldom(every: int) -> Variation:
    """Sampled so many times more seldom."""
    return sampled(
        lambda name, trace, _: trace if name == NEVER_THINNED else Trace(trace.time_ns[::every], trace.value[::every])
    )


def noisy(channel: str, deviation: float) -> Variation:
    """Normal noise of that standard deviation, in the channel's unit, on top of its own."""

    def add(name: str, trace: Trace, random: np.random.Generator) -> Trace:
        if name != channel:
            return trace
        return Trace(trace.time_ns, trace.value + random.normal(0.0, deviation, trace.value.shape))

    return sampled(add)


def tach(change: Callable[[IntArray, np.random.Generator], IntArray]) -> Variation:
    """The event with other edges on its tach wire."""

    def vary(event: Event, random: np.random.Generator) -> Event:
        changed = (
            replace(
                recording, pulses={**recording.pulses, "tach_pulses": change(recording.pulses["tach_pulses"], random)}
            )
            for recording in event.recordings
        )
        return replace(event, recordings=tuple(changed))

    return vary


def bouncing(share: float) -> Variation:
    """A second edge 50 to 400 us behind that share of the pulses."""

    def bounce(edges: IntArray, random: np.random.Generator) -> IntArray:
        some = edges[random.random(edges.size) < share]
        return np.sort(np.append(edges, some + random.integers(50_000, 400_000, some.size)))

    return tach(bounce)


def losing(share: float) -> Variation:
    """That share of the pulses never arrives."""
    return tach(lambda edges, random: edges[random.random(edges.size) >= share])


def jittered(seconds: float) -> Variation:
    """Edges stamped that badly, standard deviation."""
    return tach(
        lambda edges, random: np.sort(
            edges + np.rint(random.normal(0.0, seconds * NS_PER_S, edges.size)).astype(np.int64)
        )
    )


VARIATIONS: dict[str, Variation] = {
    "as_driven": lambda event, random: event,
    **{
        f"without_{name}": without(name)
        for name in (*SAMPLED, "sensor_supply_voltage", "air_fuel_ratio", "spark_pulses")
    },
    "throttle_now_and_then": now_and_then("throttle_position"),
    "rail_now_and_then": now_and_then("fuel_pressure"),
    "half_as_often": seldom(2),
    "a_quarter_as_often": seldom(4),
    "noisy_battery": noisy("battery_voltage", 0.1),
    "noisy_rail": noisy("fuel_pressure", 3.0),
    "noisy_throttle": noisy("throttle_position", 1.0),
    "noisy_acceleration": noisy("acceleration", 0.12),
    "edges_100_us": jittered(100e-6),
    "bounces_one_in_five": bouncing(0.2),
    "loses_one_in_500": losing(0.002),
    "no_redline": lambda event, random: replace(event, engine=replace(event.engine, redline_rpm=None)),
    "no_idle": lambda event, random: replace(event, engine=replace(event.engine, idle_rpm=None)),
}


def measure(n_events: int, seed: int, cars: Sequence[str], names: Sequence[str]) -> dict[str, Tally]:
    """Drive that many events and count what is found in each, as driven and varied; a Tally for each variation."""
    tallies = {name: Tally() for name in names}
    kinds = [*KINDS, HEALTHY, HEALTHY]
    with TemporaryDirectory() as place:
        for number in range(n_events):
            kind, car = choose(number, seed, kinds, cars)
            folder = Path(place) / f"case_{number:04d}"
            truth = write_case(folder, Path(place) / f"{folder.name}.json", seed * 10_007 + number, kind, car)
            event = read_folder(folder)
            for name, tally in tallies.items():
                tally.add(truth, analyse(VARIATIONS[name](event, np.random.default_rng(number))).as_json())
    return tallies


def report(tallies: dict[str, Tally]) -> str:
    """A line for each variation."""
    lines = [f"{'':26}{'recall':>8}{'false':>7}{'cause':>7}{'main':>7}{'quiet':>7}{'ECE':>7}"]
    for name, tally in tallies.items():
        of = [tally.hit / max(tally.stumbles, 1), float(tally.false)]
        of += [float(np.mean(share)) if share else np.nan for share in (tally.cause, tally.main, tally.quiet)]
        error = tally.calibration_error()
        of.append(np.nan if error is None else error)
        lines.append(f"{name:26}{of[0]:8.3f}{of[1]:7.0f}" + "".join(f"{value:7.3f}" for value in of[2:]))
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description="Measure the analysis on events with less, or worse, recorded.")
    parser.add_argument("--events", type=int, default=60)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--engines", default="drawn", help="drawn, tuned, or names joined by commas; not held_out")
    parser.add_argument("--only", default=",".join(VARIATIONS), help="variations, joined by commas")
    options = parser.parse_args(arguments)
    cars = names_of(options.engines)
    if not set(cars).isdisjoint(HELD_OUT):
        parser.error("the held-out cars are for measuring the analysis as it is; use drawn or tuned ones here")
    names = options.only.split(",")
    if unknown := [name for name in names if name not in VARIATIONS]:
        parser.error(f"no variation {unknown[0]!r}; there are {', '.join(VARIATIONS)}")
    print(report(measure(options.events, options.seed, cars, names)))


if __name__ == "__main__":
    main()
