"""Events of nothing, one sample, repeated times and absent values: an answer or none, but never a failure.

Written after such events had brought down four of these modules. Warnings are errors here.
"""

import numpy as np
import pytest

from logger.analysis.findings import Stumble
from logger.analysis.links import coverage, exposure, links, superposed
from logger.analysis.pull import pulls, pulls_compared
from logger.analysis.repair import repairs
from logger.channels import CHANNELS, Channel
from logger.event import NS_PER_S, Cause, Engine, Event, Recording, Repair, Trace
from tests.analysis.invented import ENGINE, stumble

LENGTH_S = 20.0
CAUSES: tuple[Cause, ...] = ("mixture", "undetermined", "fuel_delivery")


def odd_trace(channel: Channel, rng: np.random.Generator) -> Trace:
    """From no sample to a few hundred, sometimes all at one time, flat, wild, or absent."""
    n = int(rng.choice([0, 1, 2, 3, 5, 50, 400]))
    time_ns = np.sort(rng.integers(0, round(LENGTH_S * NS_PER_S), n)).astype(np.int64)
    if rng.random() < 0.2:
        time_ns[:] = 5 * NS_PER_S
    value = rng.normal(50.0, rng.choice([0.0, 1.0, 100.0]), (n, 3) if channel.kind == "vector" else n)
    if n and rng.random() < 0.4:
        value[rng.random(n) < rng.choice([0.3, 1.0])] = np.nan
    return Trace(time_ns, value)


def odd_recording(name: str, number: int, rng: np.random.Generator) -> Recording:
    sampled = [channel for channel in CHANNELS.values() if channel.kind in ("sampled", "vector")]
    n_pulses = int(rng.choice([0, 1, 2, 10, 300]))
    pulses = np.sort(rng.integers(0, round(LENGTH_S * NS_PER_S), n_pulses)).astype(np.int64)
    return Recording(
        name,
        int(rng.choice([0, 1, NS_PER_S, round(LENGTH_S * NS_PER_S)])),
        {channel.name: odd_trace(channel, rng) for channel in sampled if rng.random() < 0.7},
        {"tach_pulses": pulses} if rng.random() < 0.9 else {},
        None if rng.random() < 0.4 else number * 100 * NS_PER_S,
    )


def odd_event(rng: np.random.Generator) -> tuple[Event, list[Stumble], list[list[tuple[float, float]]]]:
    recordings = [odd_recording(f"r{k}", k, rng) for k in range(int(rng.integers(0, 4)))]
    names = [recording.name for recording in recordings]
    works = []
    for _ in range(int(rng.integers(0, 3))):
        by_clock = rng.random() < 0.5 or not names
        at_ns = int(rng.integers(-NS_PER_S, 400 * NS_PER_S)) if by_clock else None
        works.append(Repair("new coil", at_ns, None if by_clock else str(rng.choice(names)), "mixture"))
    n_stumbles = int(rng.integers(0, 9)) if names else 0
    stumbles = [
        stumble(str(rng.choice(names)), float(rng.uniform(0, 21)), cause=CAUSES[rng.integers(3)])
        for _ in range(n_stumbles)
    ]
    of = Event("odd", ENGINE if rng.random() < 0.5 else Engine(4), tuple(recordings), repairs=tuple(works))
    return of, stumbles, [[] if rng.random() < 0.2 else [(0.0, LENGTH_S)] for _ in recordings]


@pytest.mark.parametrize("seed", range(40))
def test_an_odd_event_is_answered_without_a_failure(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for _ in range(3):
        of, stumbles, running = odd_event(rng)
        found = links.link(of, stumbles, running)
        assert found["stumbles"] <= len(stumbles)
        verdicts = repairs.judge(of, stumbles, running)
        assert [one.what for one in verdicts] == [work.what for work in of.repairs]
        assert all(one.confidence_fixed is None or 0.0 <= one.confidence_fixed <= 1.0 for one in verdicts)
        superposed.superpose(of, stumbles, running, n_random=10)
        pulls_compared.compare(pulls.find(of, running, stumbles))
        kept = exposure.of_event(of, links.frames_of(of, stumbles, running))
        assert [exposure.Exposure.from_dict(one.to_dict()).to_dict() for one in kept] == [one.to_dict() for one in kept]
        assert 0.0 <= coverage.coverage(kept, kept).all <= 1.0
