"""Rows made from the findings: runs, stumbles with their order of failure, faults, conditions by the minute, links."""

import json
from collections.abc import Sequence
from typing import Any

import numpy as np

from logger.event import CAUSES, NS_PER_S, Event, FloatArray, repair_places
from logger.store.exports.columns import Row
from logger.store.exports.held import Held
from logger.store.exports.tables import TABLES

MINUTE_NS = 60 * NS_PER_S
MOST_MINUTES = 100_000
NO_REPAIR = "before any repair"
EXTREMES = {
    "coolant_low_degc": ("coolant_temperature", 0),
    "coolant_high_degc": ("coolant_temperature", 1),
    "battery_low_v": ("battery_voltage", 0),
    "fuel_pressure_low_kpa": ("fuel_pressure", 0),
}
"""Column of `conditions`: the channel, and whether the lowest (0) or the highest (1) of its values counts."""


def finding_rows(event: Event, recordings: Sequence[Held], findings: dict[str, Any] | None) -> dict[str, list[Row]]:
    """The tables that follow from the findings; without findings, what can be said of the conditions alone."""
    found = findings or {}
    stumbles = found.get("stumbles", [])
    tables = {
        "runs": [_run(number, run, event, recordings, stumbles) for number, run in enumerate(found.get("runs", []), 1)],
        "stumbles": [_stumble(number, one, event, recordings) for number, one in enumerate(stumbles, 1)],
        "stumble_order": [
            {"stumble": number, "rank": rank, **moved}
            for number, one in enumerate(stumbles, 1)
            for rank, moved in enumerate(one["order"], 1)
        ],
        "sensor_faults": found.get("sensor_faults", []),
        "conditions": [row for held in recordings for row in _conditions(held, event, findings)],
        "links": (found.get("links") or {}).get("conditions", []),
    }
    return {
        name: [{column.name: row.get(column.name) for column in TABLES[name].columns} for row in rows]
        for name, rows in tables.items()
    }


def repair_state(event: Event, recording: str, at_s: float) -> Row:
    """Which repairs had been done by a moment: their number and the newest of them."""
    names = [known.name for known in event.recordings]
    if recording not in names:  # what was found in it is still known, the recording is not
        return {"repairs_before": None, "repair_state": None}
    moment = (names.index(recording), at_s)
    placed = zip(repair_places(event), event.repairs, strict=True)
    done = sorted((place, n, repair.what) for n, (place, repair) in enumerate(placed) if place and place <= moment)
    return {"repairs_before": len(done), "repair_state": done[-1][2] if done else NO_REPAIR}


def _run(number: int, run: dict[str, Any], event: Event, recordings: Sequence[Held], stumbles: list[Any]) -> Row:
    inside = _between(stumbles, run["recording"], run["from_s"], run["to_s"])
    return {
        "run": number,
        **run,
        "from_utc": _utc(recordings, run["recording"], run["from_s"]),
        "running_s": run["to_s"] - run["from_s"],
        "stumbles": len(inside),
        "lost_firings": sum(one["lost_firings"] for one in inside),
        **repair_state(event, run["recording"], run["from_s"]),
    }


def _stumble(number: int, one: dict[str, Any], event: Event, recordings: Sequence[Held]) -> Row:
    return {
        **one,
        "stumble": number,
        "onset_utc": _utc(recordings, one["recording"], one["onset_s"]),
        **{f"p_{cause}": one["probability"].get(cause) for cause in CAUSES},
        "order_of_failure": " > ".join(moved["channel"] for moved in one["order"]),
        "coolant_degc": _coolant_at(recordings, one["recording"], one["onset_s"]),
        **repair_state(event, one["recording"], one["onset_s"]),
        **{key: json.dumps(one.get(key, [])) for key in ("evidence_for", "evidence_against", "rivals")},
    }


def _conditions(held: Held, event: Event, findings: dict[str, Any] | None) -> list[Row]:
    n = min(held.reader.duration_ns // MINUTE_NS + 1, MOST_MINUTES)
    end_ns = n * MINUTE_NS
    values: dict[str, FloatArray] = {}
    for column, (channel, end) in EXTREMES.items():
        if channel in held.reader.channels:
            _, *ends = held.reader.overview(channel, 0, end_ns, n)
            values[column] = np.asarray(ends[end], dtype=np.float64)
    if "acceleration" in held.reader.channels:
        _, low, high = held.reader.overview("acceleration", 0, end_ns, n)
        values["peak_g"] = np.fmax(np.abs(low), np.abs(high)).max(axis=1)
    rows = []
    for minute in range(n):
        from_s = 60.0 * minute
        seen = {column: float(value[minute]) for column, value in values.items() if np.isfinite(value[minute])}
        row: Row = {"recording": held.name, "minute": minute, "from_s": from_s, "from_utc": held.utc(from_s), **seen}
        if findings is not None:
            inside = _between(findings["stumbles"], held.name, from_s, from_s + 60.0)
            row["running_s"] = _running_s(findings.get("runs", []), held.name, from_s, from_s + 60.0)
            row["stumbles"] = len(inside)
            row["lost_firings"] = sum(one["lost_firings"] for one in inside)
        if seen or row.get("running_s"):
            rows.append(row | repair_state(event, held.name, from_s))
    return rows


def _between(stumbles: list[dict[str, Any]], recording: str, from_s: float, to_s: float) -> list[dict[str, Any]]:
    return [one for one in stumbles if one["recording"] == recording and from_s <= one["onset_s"] < to_s]


def _running_s(runs: list[dict[str, Any]], recording: str, from_s: float, to_s: float) -> float:
    spans = [(run["from_s"], run["to_s"]) for run in runs if run["recording"] == recording]
    return float(sum(max(0.0, min(b, to_s) - max(a, from_s)) for a, b in spans))


def _utc(recordings: Sequence[Held], name: str, at_s: float) -> Any:
    return next((held.utc(at_s) for held in recordings if held.name == name), None)


def _coolant_at(recordings: Sequence[Held], name: str, at_s: float) -> float | None:
    """The last coolant temperature before a moment, at most 10 s old."""
    held = next((held for held in recordings if held.name == name), None)
    if held is None or "coolant_temperature" not in held.reader.channels:
        return None
    at_ns = round(at_s * NS_PER_S)
    value = held.reader.read("coolant_temperature", at_ns - 10 * NS_PER_S, at_ns + 1).value
    known = value[np.isfinite(value)]
    return float(known[-1]) if known.size else None
