"""The order of failure as a ladder: the channels as they left normal, each with its ± as a bar, on one scale."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from logger.ladder import ladder
from web.texts import TEXTS

ENGINE_RUNG = "engine"
TICK_STEPS_S = (0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 60.0, 3600.0, 1e9)


@dataclass(frozen=True, slots=True)
class Rung:
    """One rung of the ladder. Times in ms from the first sign; places in per cent of the ladder's width. is_same: as
    far as the sensors can tell it left normal at the same time as the rung before."""

    channel: str
    label: str
    at_ms: float
    plus_minus_ms: float
    is_same: bool
    at_percent: float
    from_percent: float
    to_percent: float
    note: str


@dataclass(frozen=True, slots=True)
class LadderTick:
    """A mark on the ladder's axis."""

    ms: float
    at_percent: float


def build(stumble: Mapping[str, Any]) -> tuple[list[Rung], list[LadderTick]]:
    """The channels in the order in which they left normal, and the first bad firing among them, on one scale."""
    moved = list(stumble["order"])
    engine_s = stumble["engine_onset_s"]
    if all(one["channel"] != "tach_pulses" or abs(one["at_s"] - engine_s) > 1e-4 for one in moved):
        place = 1 + sum(one["at_s"] <= engine_s for one in moved[1:])
        moved.insert(place, {"channel": ENGINE_RUNG, "at_s": engine_s, "plus_minus_s": 0.0})
    found = ladder(moved)
    low, high = _span(
        min(rung.at_s - rung.plus_minus_s for rung in found), max(rung.at_s + rung.plus_minus_s for rung in found)
    )

    def place_of(seconds: float) -> float:
        return round(100.0 * (seconds - low) / (high - low), 2)

    rungs = [
        Rung(
            channel=rung.channel,
            label=TEXTS["moment"]["engine_onset"]
            if rung.channel == ENGINE_RUNG
            else TEXTS["channel"].get(rung.channel, rung.channel),
            at_ms=round(1000 * rung.at_s, 1),
            plus_minus_ms=round(1000 * rung.plus_minus_s, 1),
            is_same=rung.is_same,
            at_percent=place_of(rung.at_s),
            from_percent=place_of(rung.at_s - rung.plus_minus_s),
            to_percent=place_of(rung.at_s + rung.plus_minus_s),
            note=rung.note,
        )
        for rung in found
    ]
    step = next(step for step in TICK_STEPS_S if (high - low) / step <= 6)
    numbers = range(math.ceil(low / step), math.floor(high / step) + 1)
    return rungs, [LadderTick(round(1000 * n * step, 3), place_of(n * step)) for n in numbers]


def _span(first: float, last: float) -> tuple[float, float]:
    """The ladder's range in seconds: every bar with a margin, never narrower than 10 ms."""
    width = max(last - first, 0.010)
    return first - 0.06 * width, last + 0.06 * width + (width - (last - first))
