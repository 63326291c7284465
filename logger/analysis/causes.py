"""What failed first, with a probability for each cause word.

Each piece of evidence adds a log-likelihood (natural) to the causes it speaks for; a softmax over the sums gives the
probabilities. The weights are kept small enough that they are met in practice (tests/bench measures the calibration).
"""

from dataclasses import dataclass

import numpy as np

from logger.analysis.bands import WEAK_BATTERY_V
from logger.analysis.order import Order
from logger.analysis.stumbles import Episode
from logger.event import CAUSES, NS_PER_S, Cause

MS = 1_000_000
TEMPERATURE = 1.0


@dataclass(frozen=True, slots=True)
class Evidence:
    """One observation: a sentence for people and the log-likelihood it adds to each cause."""

    sentence: str
    weights: dict[Cause, float]


@dataclass(frozen=True, slots=True)
class Verdict:
    """Probabilities over the cause words, the most probable one, what narrows it, and what it rests on."""

    cause: Cause
    probability: dict[Cause, float]
    sub_cause: str | None
    evidence: list[Evidence]


# Before anything is seen: nothing is known, and an honest share for what the signals cannot tell.
PRIOR: dict[Cause, float] = {
    "supply_voltage": -0.5,
    "ignition_primary": 0.0,
    "ignition_secondary": 0.0,
    "fuel_delivery": 0.0,
    "mixture": -1.5,
    "undetermined": -0.5,
}


def judge(episode: Episode, order: Order) -> Verdict:
    """Weigh the evidence of one episode."""
    evidence = gather(episode, order)
    total = {cause: PRIOR[cause] for cause in CAUSES}
    for piece in evidence:
        for cause, weight in piece.weights.items():
            total[cause] += weight
    probability = softmax(total)
    cause = max(probability, key=lambda name: probability[name])
    return Verdict(cause, probability, sub_cause(episode, cause), evidence)


def softmax(total: dict[Cause, float]) -> dict[Cause, float]:
    """Probabilities from log-likelihood sums, at TEMPERATURE."""
    value = np.array([total[cause] for cause in CAUSES]) / TEMPERATURE
    weight = np.exp(value - value.max())
    weight /= weight.sum()
    return {cause: float(round(part, 4)) for cause, part in zip(CAUSES, weight, strict=True)}


def gather(episode: Episode, order: Order) -> list[Evidence]:
    """All evidence of one episode, strongest kinds first."""
    found: list[Evidence] = []
    reach = order.engine_onset_ns + 30 * MS
    battery = [dip for dip in episode.of("supply_dip", "battery_voltage") if dip.from_ns <= reach]
    feed = [dip for dip in episode.of("supply_dip", "ignition_feed_voltage") if dip.from_ns <= reach]
    pressure = [low for low in episode.of("low_pressure") if low.from_ns <= order.engine_onset_ns + 150 * MS]
    lost = episode.of("lost_pulses") + episode.of("died")
    unsparked = episode.of("no_spark")
    if battery:
        depth = max(dip.strength for dip in battery)
        found.append(
            Evidence(
                f"battery voltage fell by {depth:.1f} V as the stumble began",
                {"supply_voltage": 5.0, "ignition_primary": -1.0, "ignition_secondary": -2.0, "fuel_delivery": -2.0},
            )
        )
    elif "battery_voltage" in episode.view.traces:
        level = weak_battery(episode, order)
        if level is not None:
            found.append(
                Evidence(
                    f"the battery was down to {level:.1f} V with the engine running",
                    {"supply_voltage": 5.0, "ignition_primary": 0.0, "ignition_secondary": -1.0},
                )
            )
        else:
            found.append(Evidence("battery voltage held", {"supply_voltage": -4.0}))
    if feed and not battery:
        depth = max(dip.strength for dip in feed)
        known = "battery_voltage" in episode.view.traces
        found.append(
            Evidence(
                f"the coil's feed fell by {depth:.1f} V" + (" while the battery held" if known else ""),
                {"ignition_primary": 5.0 if known else 3.0, "supply_voltage": 0.0 if known else 2.5},
            )
        )
    if pressure:
        found.append(
            Evidence(
                f"fuel pressure fell by {pressure[0].note} kPa before the speed sagged",
                {"fuel_delivery": 5.0 if not battery else 1.0},
            )
        )
    elif "fuel_pressure" in episode.view.traces:
        found.append(Evidence("fuel pressure held", {"fuel_delivery": -4.0}))
    if lost:
        found.append(
            Evidence(
                "tach pulses vanished while the crank still turned",
                {
                    "ignition_primary": 3.0,
                    "ignition_secondary": -3.0,
                    "fuel_delivery": -1.0,
                    "supply_voltage": 0.5,
                    "mixture": -3.0,
                },
            )
        )
    else:
        found.append(Evidence("every tach pulse was there", {"ignition_primary": -3.0, "ignition_secondary": 1.0}))
    if unsparked:
        count = sum(sign.lost for sign in unsparked)
        found.append(
            Evidence(f"the coil was switched but {count:.0f} sparks were not seen", {"ignition_secondary": 5.0})
        )
    not_injected = episode.of("no_injection")
    if not_injected and not lost:
        found.append(
            Evidence("the coil fired on but injector pulses were missing", {"mixture": 6.5, "ignition_secondary": -1.0})
        )
    elif "injector_pulses" in episode.view.recording.pulses and not lost:
        found.append(Evidence("the injector was driven all the while", {"mixture": -1.0}))
    return found


def weak_battery(episode: Episode, order: Order) -> float | None:
    """The battery's median voltage over the second before the onset where it is below WEAK_BATTERY_V, else None."""
    before = episode.view.near("battery_voltage", order.onset_ns - 1000 * MS, order.onset_ns - 20 * MS).value
    level = float(np.median(before)) if before.size >= 5 else np.inf
    return level if level < WEAK_BATTERY_V else None


def sub_cause(episode: Episode, cause: Cause) -> str | None:
    """Narrow the cause where the signals allow it."""
    if cause == "ignition_primary":
        return (
            "feed"
            if episode.of("supply_dip", "ignition_feed_voltage")
            else ("trigger" if "ignition_feed_voltage" in episode.view.traces else None)
        )
    return None


def seconds(ns: int) -> float:
    """Nanoseconds as seconds, to the microsecond."""
    return round(ns / NS_PER_S, 6)
