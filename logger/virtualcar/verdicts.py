"""Truth of a whole event: main cause, links with heat and shock, sensor faults, and what may be said of a repair."""

from typing import Any

from scipy import stats

from logger.virtualcar.car import Car, CarSpec
from logger.virtualcar.drive import Drive
from logger.virtualcar.faults import KINDS, Fault
from logger.virtualcar.wires import WireFault

BURST_S = 3.0
FALL = 0.2  # a repair counts as fixed where the rate fell to a fifth or less
ENOUGH = 6  # scored stumbles from which a link can be judged


def event_truth(
    name: str, kind: str, spec: CarSpec, faults: list[Fault], drives: list[Drive], cars: list[Car],
    wires: dict[str, list[WireFault]], channels: list[str],
) -> dict[str, Any]:  # fmt: skip
    """Join the drives' truths into the event's.

    Stumbles that a gap or a broken tach wire hides are not scored; where a deciding channel is missing or broken, what
    it would have decided is not asked for.
    """
    stumbles = [dict(row) for drive in drives for row in drive.truth["stumbles"]]
    for row in stumbles:
        for wire in wires.get(row["recording"], []):
            hides = wire.kind == "gap" or wire.channel == "tach_pulses"
            if hides and row["onset_s"] < wire.to_s + 0.5 and row["end_s"] > wire.from_s - 0.5:
                row["scored"], row["while"] = False, wire.kind
        broken = {
            wire.channel
            for wire in wires.get(row["recording"], [])
            if wire.from_s - 1.0 < row["end_s"] and wire.to_s + 1.0 > row["onset_s"]
        }
        row["accept"] = accepted(row["fault"], spec, set(channels) - broken)
    broken_ever = {wire.channel for found in wires.values() for wire in found}
    return {
        "case": name,
        "suite": "generated",
        "kind": kind,
        "stumbles": stumbles,
        "distractors": [row for drive in drives for row in drive.truth["distractors"]],
        "failed_starts": [row for drive in drives for row in drive.truth["failed_starts"]],
        "sensor_faults": [
            {"recording": recording, "channel": w.channel, "kind": w.kind, "from_s": round(w.from_s, 3),
             "to_s": round(w.to_s, 3)}
            for recording, found in wires.items() for w in found
        ],
        "repairs": [],
        "recordings": [drive.truth["recording"] for drive in drives],
        "running_s": round(sum(float(drive.truth["running_s"]) for drive in drives), 1),
        "event": _summary(faults, stumbles, cars, set(channels) - broken_ever),
        "channels": sorted(channels),
        "engine": {
            "car": spec.name, "cylinders": spec.engine.cylinders, "idle_rpm": spec.engine.idle_rpm,
            "manifold_referenced": spec.engine.manifold_referenced, "tach_source": spec.engine.tach_source,
        },
    }  # fmt: skip


def accepted(kind: str, spec: CarSpec, visible: set[str]) -> list[str]:
    """Cause words a fair judge would accept for a stumble of this fault, given the channels that can be trusted."""
    cause, source = KINDS[kind].cause, spec.engine.tach_source
    unsure = ["ignition_secondary", "undetermined"]
    if cause == "fuel_delivery" and "fuel_pressure" not in visible:
        return [cause, *unsure, "mixture"]
    if cause == "supply_voltage" and "battery_voltage" not in visible:
        return [cause, *unsure, "ignition_primary"]
    if (kind == "injector_drive" and "injector_pulses" not in visible) or kind == "air_leak":
        return [cause, *unsure]
    # a pick-up that does not hang on the coil turns on while the coil is dead
    if (source == "crank" and kind in ("chafe_trigger", "module_hot")) or (
        source == "control_unit" and kind == "module_hot"
    ):
        return [cause, *unsure]
    if kind == "chafe_feed" and source in ("crank", "control_unit") and "ignition_feed_voltage" not in visible:
        return [cause, *unsure]
    return [cause]


def _summary(faults: list[Fault], stumbles: list[dict[str, Any]], cars: list[Car], visible: set[str]) -> dict[str, Any]:
    weight = {
        fault.kind: sum(row["effective_lost"] for row in stumbles if row["fault"] == fault.kind and row["scored"])
        for fault in faults
    }
    shown = [fault for fault in faults if weight[fault.kind] > 0.0]
    seen = [fault for fault in faults if any(row["fault"] == fault.kind for row in stumbles)]
    main = max(shown or seen, key=lambda fault: weight[fault.kind], default=None)
    accept: list[str | None] = []
    for fault in shown or seen:
        rows = [row["accept"] for row in stumbles if row["fault"] == fault.kind and row["scored"] == bool(shown)]
        if main is not None and weight[fault.kind] >= 0.6 * weight[main.kind]:
            words = dict.fromkeys(word for accepted_words in rows for word in accepted_words)
            accept += [word for word in words if sum(word in row for row in rows) >= 0.4 * len(rows)]
    if main is not None and not shown:
        accept.append(None)
    n = sum(row["scored"] for row in stumbles if main is not None and row["fault"] == main.kind)
    heat = main is not None and main.trigger.heat_degc is not None
    shock = main is not None and main.trigger.shock_g is not None
    judged = n >= ENOUGH and len(shown) == 1
    return {
        "main_cause": main.cause if main else None,
        "accept_main": accept,
        "component": KINDS[main.kind].component if main else None,
        "linked_heat": heat,
        "linked_shock": shock,
        "fault_kinds": [fault.kind for fault in faults],
        "latent": [KINDS[fault.kind].component for fault in faults if fault not in seen],
        "links_scored": {
            "heat": judged and "coolant_temperature" in visible and _heat_contrast(cars, main),
            "shock": judged and "acceleration" in visible and not (heat and shock),
        },
        "how": [fault.how for fault in faults],
    }


def _heat_contrast(cars: list[Car], main: Fault | None) -> bool:
    """Whether the day had at least 40 s of driving on each side of the heat that matters (or of 80 degC)."""
    limit = 80.0 if main is None or main.trigger.heat_degc is None else main.trigger.heat_degc + 1.0
    cold = hot = 0.0
    for car in cars:
        driving = car.log.column("speed") > 2.0
        warm = car.log.column("coolant") > limit
        cold += float(car.log.column("dt")[driving & ~warm].sum())
        hot += float(car.log.column("dt")[driving & warm].sum())
    return min(cold, hot) >= 40.0


def repair_truth(
    done: dict[str, Any], outcome: str, fault: Fault, truth: dict[str, Any], cars: list[Car], repaired_after: int
) -> dict[str, Any]:
    """What a fair judge may say of the repair, from bursts and exposure before and after.

    Confidence that the rate fell to a fifth or less: the binomial test of two Poisson counts given their sum.
    """
    names = [row["recording"] for row in truth["recordings"]]
    for row in truth["stumbles"]:
        row["after_repair"] = names.index(row["recording"]) >= repaired_after
    before = _bursts([row for row in truth["stumbles"] if not row["after_repair"]])
    after = _bursts([row for row in truth["stumbles"] if row["after_repair"]])
    exposed_before = sum(_exposure(car, fault) for car in cars[:repaired_after])
    exposed_after = sum(_exposure(car, fault) for car in cars[repaired_after:])
    share = FALL * exposed_after / max(FALL * exposed_after + exposed_before, 1e-9)
    n = before + after
    confidence = float(stats.binom.sf(after, n, share)) if n and exposed_after > 0.0 else 0.0
    accept = ["too_early"]
    if outcome == "gone" and confidence > 0.93:
        accept = ["fixed", "too_early"] if confidence < 0.995 else ["fixed"]
    elif outcome != "gone" and after >= 3:
        accept = ["not_fixed"] if after >= 5 else ["not_fixed", "too_early"]
    elif outcome != "gone" and after:
        accept = ["too_early", "not_fixed"]
    return {
        "offset_s": done["offset_s"], "what": done["what"], "true_outcome": outcome, "design": outcome,
        "n_before": before, "n_after": after, "exposure_before": round(exposed_before, 3),
        "exposure_after": round(exposed_after, 3), "confidence_fixed": round(confidence, 4), "accept": accept,
    }  # fmt: skip


def _bursts(rows: list[dict[str, Any]]) -> int:
    """Number of bursts: stumbles that start within 3 s of the end of the one before belong together."""
    rows = sorted((row for row in rows if row["scored"]), key=lambda row: (row["recording"], row["onset_s"]))
    count, last = 0, ("", 0.0)
    for row in rows:
        count += int(row["recording"] != last[0] or row["onset_s"] > last[1] + BURST_S)
        last = (row["recording"], row["end_s"])
    return count


def _exposure(car: Car, fault: Fault) -> float:
    """How much of what brings the fault out this drive had: knocks from its level on, or seconds, by warmth."""
    trigger = fault.trigger
    if trigger.shock_g is not None:
        return sum(1.0 for _, peak in car.log.hits if peak >= trigger.shock_g)
    driving = car.log.column("speed") > 2.0
    if trigger.heat_degc is not None:
        driving = driving & (car.log.column("coolant") > trigger.heat_degc + 0.3 * trigger.heat_span)
    return float(car.log.column("dt")[driving].sum())
