"""What failed first, with a probability for each cause word.

Each signal is asked by one function below; what it says is an Evidence: a sentence for people and log-likelihoods
(natural) that it adds to the causes. A softmax over the sums gives the probabilities. A signal that was not recorded
says nothing, and where its absence leaves causes apart that it would have told, `undetermined` gains. The weights are
judgement and were kept small; one factor over all, fitted on simulated cars, makes what they promise what is kept
(tests/bench/quality.py measures the calibration on others).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from logger.analysis.channels import bands
from logger.analysis.channels.scene import usual_step_ns
from logger.analysis.failure import subcauses, weak_supply
from logger.analysis.failure.episodes import Episode
from logger.analysis.failure.order import Order
from logger.analysis.signs import sparks
from logger.analysis.signs.sign import Sign
from logger.event import CAUSES, Cause

MS = 1_000_000
# A supply that fell up to this long after the engine's onset may still have been first: sampling and filters.
LATE_NS = 30 * MS


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


# Fitted to 1,658 stumbles found on 254 days of drawn cars, 0.988 of them with the right cause: log loss is least at
# 1.4, the expected calibration error at 1.6 (0.019, against 0.057 at 1).
KEPT = 1.5

# What "every tach pulse was there" says for ignition_secondary, less a little. Of 240 such stumbles of drawn cars whose
# fuel pressure was taken out of the recording 98 were of the fuel, 142 of the spark or of what reads like it.
NO_RAIL = 1.75

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
    evidence = [piece for ask in SIGNALS if (piece := ask(episode, order)) is not None]
    total = dict(PRIOR)
    for piece in evidence:
        for cause, weight in piece.weights.items():
            total[cause] += weight
    probability = softmax({cause: KEPT * sum_ for cause, sum_ in total.items()})
    cause = max(probability, key=lambda name: probability[name])
    return Verdict(cause, probability, subcauses.narrow(episode, cause), evidence)


def softmax(total: dict[Cause, float]) -> dict[Cause, float]:
    """Probabilities from log-likelihood sums; they add up to 1 but for rounding to four places."""
    weight = np.exp(np.array([total[cause] for cause in CAUSES]) - max(total.values()))
    weight /= weight.sum()
    return {cause: float(round(part, 4)) for cause, part in zip(CAUSES, weight, strict=True)}


def _battery(episode: Episode, order: Order) -> Evidence | None:
    dips = _dips(episode, order, "battery_voltage")
    if dips:
        return Evidence(
            f"battery voltage fell by {max(dip.strength for dip in dips):.1f} V as the stumble began",
            {"supply_voltage": 5.0, "ignition_primary": -1.0, "ignition_secondary": -2.0, "fuel_delivery": -2.0},
        )
    if _dips(episode, order, "sensor_supply_voltage"):
        # It is made from the battery and falls only where little is left of that.
        return Evidence("the sensors' 5 V supply gave way as the stumble began", {"supply_voltage": 5.0})
    level = weak_supply.level_v(episode, order.onset_ns)
    if level is not None:
        # A spark's energy goes with the square of the voltage: half is left at 10 V, where high speed and load begin
        # to miss; the deeper, the likelier it is the battery's doing.
        felt = weak_supply.felt_v(episode, level, order.onset_ns)
        weight = float(np.clip(2.0 + 2.0 * (bands.WEAK_BATTERY_V - felt), 0.0, 7.0))
        sentence = f"the battery was down to {level:.1f} V with the engine running"
        too_many = 0.0 if lost_pulses(episode) else weak_supply.beyond(episode, level)
        if too_many > weight:
            sentence += ", but more firings were lost than the coil misses with that"
        return Evidence(sentence, {"supply_voltage": weight - too_many, "ignition_secondary": -1.0})
    known = weak_supply.before_v(episode, "battery_voltage", order.onset_ns) is not None
    return Evidence("battery voltage held", {"supply_voltage": -4.0}) if known else None


def _feed(episode: Episode, order: Order) -> Evidence | None:
    dips = _dips(episode, order, "ignition_feed_voltage")
    if not dips or _dips(episode, order, "battery_voltage"):
        return None
    fell = f"the coil's feed fell by {max(dip.strength for dip in dips):.1f} V"
    if episode.view.near("battery_voltage", dips[0].from_ns - 100 * MS, dips[0].from_ns + 100 * MS).value.size:
        return Evidence(f"{fell} while the battery held", {"ignition_primary": 5.0, "ignition_secondary": -4.0})
    if _others_sagged(episode, dips[0].from_ns):
        return Evidence(
            f"{fell}, and what else hangs on the battery fell with it",
            {"supply_voltage": 6.0, "fuel_delivery": -4.0, "ignition_secondary": -4.0},
        )
    weights: dict[Cause, float] = {"ignition_primary": 3.0, "supply_voltage": 1.0, "ignition_secondary": -4.0}
    return Evidence(f"{fell}; the battery is not recorded", weights)


def _others_sagged(episode: Episode, at_ns: int) -> bool:
    """Whether the sensors' supply or the fuel pump gave way together with the coil's feed."""
    supply = episode.view.near("sensor_supply_voltage", at_ns - 20 * MS, at_ns + 200 * MS).value
    pump = any(-30 * MS < low.from_ns - at_ns < 150 * MS for low in episode.of("low_pressure"))
    return pump or bool(supply.size and supply.min() < 4.7)


def _pressure(episode: Episode, order: Order) -> Evidence | None:
    low = [sign for sign in episode.of("low_pressure") if sign.from_ns <= order.engine_onset_ns + 150 * MS]
    if not low:
        if not _rail_recorded(episode, order.onset_ns):
            if lost_pulses(episode) or episode.view.engine.tach_far_from_coil:
                return Evidence("fuel pressure is not recorded here", {"undetermined": 1.5, "fuel_delivery": 0.5})
            # A rail that starves and a spark that fails both leave every pulse on the tach wire.
            return Evidence("fuel pressure is not recorded here", {"undetermined": 0.8, "fuel_delivery": NO_RAIL})
        return Evidence("fuel pressure held", {"fuel_delivery": -4.0})
    fell = f"fuel pressure fell by {low[0].note} kPa before the speed sagged"
    together = any(abs(gap.from_ns - low[0].from_ns) < 60 * MS for gap in episode.of("lost_pulses"))
    if together and "battery_voltage" not in episode.view.traces:
        return Evidence(
            "fuel pressure and tach pulses went together, as when the supply of both fails",
            {"supply_voltage": 4.0, "fuel_delivery": -1.0},
        )
    if _dips(episode, order, "battery_voltage"):
        return Evidence(fell, {"fuel_delivery": 1.0})
    if together:
        return Evidence(
            "fuel pressure and tach pulses went together while the battery held, as when what feeds both opens",
            {"ignition_primary": 3.0, "fuel_delivery": -1.0},
        )
    return Evidence(fell, {"fuel_delivery": 5.0})


def _rail_recorded(episode: Episode, at_ns: int) -> bool:
    """Whether the rail's pressure is recorded around a time, however seldom it is sampled."""
    trace = episode.view.traces.get("fuel_pressure")
    if trace is None or trace.time_ns.size < 5:
        return False
    around_ns = 200 * MS + round(usual_step_ns(trace.time_ns[:2000]))
    return episode.view.near("fuel_pressure", at_ns - around_ns, at_ns + around_ns).value.size > 1


def _tach(episode: Episode, order: Order) -> Evidence | None:
    far = episode.view.engine.tach_far_from_coil
    if lost_pulses(episode):
        sentence = "tach pulses vanished while the crank still turned"
        if far:
            return Evidence(
                f"{sentence}, but they do not come from the coil", {"ignition_primary": 2.0, "mixture": -1.0}
            )
        weights: dict[Cause, float] = {"ignition_primary": 3.0, "supply_voltage": 0.5, "fuel_delivery": -1.0}
        return Evidence(sentence, weights | {"ignition_secondary": -3.0, "mixture": -3.0})
    if far:
        return Evidence("every tach pulse was there, but they do not come from the coil", {"ignition_secondary": 0.5})
    if _dips(episode, order, "ignition_feed_voltage"):
        # A coil fed too little still marks the tach wire.
        return Evidence("every tach pulse was there", {"ignition_primary": -1.0})
    return Evidence("every tach pulse was there", {"ignition_primary": -3.0, "ignition_secondary": 2.0})


def _clamp(episode: Episode, order: Order) -> Evidence | None:
    count = sum(sign.lost for sign in episode.of("no_spark"))
    if count:
        sentence = f"the coil was switched but {count:.0f} sparks were not seen"
        # A coil that is fed too little gives no spark either, and then the clamp says nothing of its lead.
        level = weak_supply.level_v(episode, order.onset_ns)
        weak = level is not None or bool(_dips(episode, order, "battery_voltage"))
        return Evidence(sentence, {"ignition_secondary": 1.5 if weak else 5.0})
    if not lost_pulses(episode) and sparks.all_seen(episode.view, episode.from_ns, episode.to_ns):
        # The coil was fed and switched; what lies beyond the clamp, cap, rotor and plugs, may still have failed.
        return Evidence("a spark was seen at every firing", {"ignition_primary": -3.0, "ignition_secondary": -0.5})
    return None


def _strays(episode: Episode, order: Order) -> Evidence | None:
    """A spark that jumps where it should not radiates; neither supply, fuel nor a coil without current does."""
    count = sum(sign.lost for sign in episode.of("stray_edges"))
    if not count or lost_pulses(episode):
        return None
    sentence = f"{count:.0f} edges came right beside tach pulses, as a spark that strays leaves them on the wire"
    return Evidence(sentence, {"ignition_secondary": 4.0, "mixture": -1.0, "supply_voltage": -3.0})


def _injector(episode: Episode, order: Order) -> Evidence | None:
    if lost_pulses(episode) or "injector_pulses" not in episode.view.recording.pulses:
        return None
    source = episode.view.engine.tach_source
    if episode.of("no_injection") and source == "crank":
        # A control unit that lost its trigger drives neither coil nor injectors, and the crank's wire does not tell.
        return Evidence("injector pulses were missing", {"mixture": 4.0, "ignition_primary": 3.0})
    if episode.of("no_injection") and source == "control_unit":
        return Evidence("injector pulses were missing while the control unit gave tach pulses", {"mixture": 6.0})
    if episode.of("no_injection"):
        return Evidence(
            "the coil fired on but injector pulses were missing", {"mixture": 6.5, "ignition_secondary": -1.0}
        )
    return Evidence("the injector was driven all the while", {"mixture": -1.0})


def _one_cylinder(episode: Episode, order: Order) -> Evidence | None:
    """What only one cylinder has is its plug, its lead and its injector; supply, coil and rail serve them all."""
    if not episode.of("lame_cylinder"):
        return None
    weights: dict[Cause, float] = {"ignition_secondary": 2.0, "supply_voltage": -2.0, "ignition_primary": -2.0}
    return Evidence("one cylinder was weak in each cycle, the others were not", weights | {"fuel_delivery": -2.0})


SIGNALS: tuple[Callable[[Episode, Order], Evidence | None], ...] = (
    _battery, _feed, _pressure, _tach, _clamp, _strays, _injector, _one_cylinder,
)  # fmt: skip


def _dips(episode: Episode, order: Order, channel: str) -> list[Sign]:
    """Dips of a voltage that came before the engine faltered, or too little after to tell."""
    latest_ns = order.engine_onset_ns + LATE_NS
    return [dip for dip in episode.of("supply_dip", channel) if _earliest_ns(dip) <= latest_ns]


def _earliest_ns(sign: Sign) -> int:
    return sign.from_ns if sign.earliest_ns is None else sign.earliest_ns


def lost_pulses(episode: Episode) -> bool:
    """Whether pulses went missing, or ended at full speed; a crank that runs down with its pulses has not lost any."""
    return bool(episode.of("lost_pulses")) or any(sign.note != "ran_down" for sign in episode.of("died"))
