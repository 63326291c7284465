"""The findings of an event as plain text with small traces, for a terminal or a mail."""

from collections.abc import Iterator
from textwrap import wrap
from typing import Any

import numpy as np

from logger.channels import CHANNELS
from logger.event import NS_PER_S, Event, FloatArray, IntArray, Recording, Trace

WIDTH = 100
TRACE_COLUMNS = 56
BEFORE_NS = 1_500_000_000
AFTER_NS = 1_500_000_000
LEVELS = "▁▂▃▄▅▆▇█"
LEAST_SPEED_SPAN_RPM = 500.0
TRACED = {
    "ignition_feed_voltage": 2.0,
    "battery_voltage": 2.0,
    "fuel_pressure": 50.0,
    "sensor_supply_voltage": 0.5,
    "air_fuel_ratio": 2.0,
}
"""Channels drawn beside the speed, with the least span (in their unit) that fills the height."""


CAUSES = {
    "supply_voltage": "supply voltage (battery, alternator, main feed, ground)",
    "ignition_primary": "ignition, primary side (the coil is not fed or not switched)",
    "ignition_secondary": "ignition, secondary side (coil lead, cap, rotor, plug leads, plugs)",
    "fuel_delivery": "fuel delivery",
    "mixture": "mixture (injectors not driven, air leak)",
    "undetermined": "undetermined",
}
VERDICTS = {"fixed": "fixed", "not_fixed": "not fixed", "too_early": "too early to say"}


def text_report(event: Event, findings: dict[str, Any]) -> str:
    """Write the report. `findings`: the object of `analyse --json`; `event`: the recordings it was made from."""
    recordings = {recording.name: recording for recording in event.recordings}
    sections = [_heading(event), _answer(findings)]
    for number, stumble in enumerate(findings["stumbles"], 1):
        sections.append(_stumble(number, stumble, recordings.get(stumble["recording"]), event))
    sections += [
        _listed("Sensor faults (the engine ran on)", map(_sensor_fault, findings["sensor_faults"])),
        _listed("Failed starts", map(_failed_start, findings.get("failed_starts", ()))),
        _listed("Repairs", map(_repair, findings.get("repairs", ()))),
        _listed("Test next, by hand", map(_next_test, findings.get("next_tests", ()))),
        _listed("Not judged", map(str, findings.get("not_judged", ()))),
    ]
    return "\n\n".join(section for section in sections if section) + "\n"


def sparkline(values: FloatArray, least_span: float = 0.0) -> str:
    """One block per value, shape (n,), lowest to highest of those given; a blank where there is none (NaN).

    Values that span less than `least_span` are drawn around the middle, so that noise is not blown up to a fault.
    """
    known = values[np.isfinite(values)]
    if not known.size:
        return " " * values.size
    low, high = float(known.min()), float(known.max())
    if high - low <= least_span:
        low, high = (low + high - least_span) / 2, (low + high + least_span) / 2
    step = (high - low) / len(LEVELS) or 1.0
    return "".join(
        LEVELS[min(int((value - low) / step), len(LEVELS) - 1)] if np.isfinite(value) else " " for value in values
    )


def columns_of_extremes(time_ns: IntArray, value: FloatArray, from_ns: int, to_ns: int, n_columns: int) -> FloatArray:
    """For each of `n_columns` of the window the value furthest from the window's median, so that no dip is lost.

    NaN where a column holds no value.
    """
    columns = np.full(n_columns, np.nan)
    inside = (time_ns >= from_ns) & (time_ns < to_ns) & np.isfinite(value)
    if not inside.any():
        return columns
    shown = value[inside]
    column = (time_ns[inside] - from_ns) * n_columns // (to_ns - from_ns)
    nearest_first = np.argsort(np.abs(shown - np.median(shown)), kind="stable")
    columns[column[nearest_first]] = shown[nearest_first]  # the last one written stays
    return columns


def speed_from_pulses(pulses_ns: IntArray, pulses_per_revolution: float) -> tuple[IntArray, FloatArray]:
    """Speed in rev/min at the end of each interval between tach pulses; a lost pulse shows as a fall."""
    interval_ns = np.diff(pulses_ns)
    turning = interval_ns > 0
    return pulses_ns[1:][turning], 60.0 * NS_PER_S / (interval_ns[turning] * pulses_per_revolution)


def _heading(event: Event) -> str:
    running_s = sum(recording.duration_ns for recording in event.recordings) / NS_PER_S
    count = len(event.recordings)
    length = f"{running_s / 60:.0f} min" if running_s >= 120 else f"{running_s:.0f} s"
    about = [event.kind, f"{count} recording{'s' if count != 1 else ''}, {length}"]
    if event.started_utc is not None:
        about.insert(1, f"{event.started_utc:%Y-%m-%d %H:%M} UTC")
    return f"{event.name}\n{' · '.join(about)}\n{'─' * min(len(event.name), WIDTH)}"


def _answer(findings: dict[str, Any]) -> str:
    stumbles = findings["stumbles"]
    if not stumbles:
        return "\n".join(wrap(findings.get("summary") or "No stumble was found.", WIDTH))
    lines = [*wrap(findings["summary"], WIDTH), ""] if findings.get("summary") else []
    lines.append(f"Stumbles        {len(stumbles)}")
    lines.append(f"First to fail   {CAUSES.get(findings['main_cause'], findings['main_cause'])}")
    if findings.get("other_causes"):
        lines.append(f"Also            {'; '.join(CAUSES[cause] for cause in findings['other_causes'])}")
    for key, label in (("linked_heat", "With heat"), ("linked_shock", "With shock")):
        lines.append(f"{label:<16}{_yes_no(findings[key])}")
    return "\n".join(lines)


def _yes_no(linked: bool | None) -> str:
    return {True: "yes, it comes with it", False: "no link seen", None: "cannot be told from this event"}[linked]


def _stumble(number: int, stumble: dict[str, Any], recording: Recording | None, event: Event) -> str:
    probability = stumble["probability"].get(stumble["cause"])
    sure = "" if probability is None else f", {_percent(probability)} sure"
    lines = [
        f"{number}. {stumble['recording']} at {stumble['onset_s']:.3f} s: "
        f"{stumble['effect'].replace('_', ' ')} for {stumble['end_s'] - stumble['onset_s']:.2f} s, "
        f"{stumble['lost_firings']} firings lost",
        f"   {CAUSES.get(stumble['cause'], stumble['cause'])}{sure}",
    ]
    lines += [f"   {line}" for line in wrap(stumble.get("sentence", ""), WIDTH - 3)]
    lines += [f"   {line}" for line in _order(stumble)]
    if recording is not None:
        lines += [f"   {line}" for line in _traces(stumble, recording, event.engine.pulses_per_revolution)]
    return "\n".join(lines)


def _order(stumble: dict[str, Any]) -> Iterator[str]:
    if not stumble["order"]:
        return
    first_s = stumble["order"][0]["at_s"]
    rungs = [
        f"{_label(moved['channel'])} {1000 * (moved['at_s'] - first_s):+.0f} ms ±{1000 * moved['plus_minus_s']:.0f}"
        for moved in stumble["order"]
    ]
    yield from wrap("order of failure: " + " → ".join(rungs), WIDTH - 3)


def _traces(stumble: dict[str, Any], recording: Recording, pulses_per_revolution: float) -> Iterator[str]:
    onset_ns = round(stumble["onset_s"] * NS_PER_S)
    from_ns, to_ns = onset_ns - BEFORE_NS, round(stumble["end_s"] * NS_PER_S) + AFTER_NS
    speed = speed_from_pulses(recording.pulses["tach_pulses"], pulses_per_revolution)
    drawn = [("Speed", Trace(*speed), "rpm", LEAST_SPEED_SPAN_RPM)]
    drawn += [
        (_label(name), recording.traces[name], CHANNELS[name].unit, span)
        for name, span in TRACED.items()
        if name in recording.traces
    ]
    for label, trace, unit, span in drawn:
        columns = columns_of_extremes(trace.time_ns, trace.value, from_ns, to_ns, TRACE_COLUMNS)
        if np.isfinite(columns).any():
            ends = f"{np.nanmin(columns):.4g} to {np.nanmax(columns):.4g} {unit}"
            yield f"{label:<15} {sparkline(columns, span)} {ends}".rstrip()
    mark = (onset_ns - from_ns) * TRACE_COLUMNS // (to_ns - from_ns)
    yield f"{'':<15} {'':>{mark}}▲ onset; {(to_ns - from_ns) / NS_PER_S:.1f} s are shown"


def _listed(title: str, entries: Iterator[str]) -> str:
    lines = [line for entry in entries for line in wrap(entry, WIDTH, initial_indent="- ", subsequent_indent="  ")]
    return "\n".join([title, *lines]) if lines else ""


def _sensor_fault(fault: dict[str, Any]) -> str:
    return (
        f"{_label(fault['channel'])}: {fault['kind'].replace('_', ' ')} in {fault['recording']} "
        f"from {fault['from_s']:.1f} to {fault['to_s']:.1f} s. {fault.get('note', '')}".strip()
    )


def _failed_start(start: dict[str, Any]) -> str:
    seen = ["tach pulses seen" if start["pulses_seen"] else "no tach pulses"]
    if start["fuel_pressure_kpa"] is not None:
        seen.append(f"{start['fuel_pressure_kpa']:.0f} kPa")
    if start["battery_voltage_v"] is not None:
        seen.append(f"{start['battery_voltage_v']:.1f} V")
    return f"{start['recording']} at {start['from_s']:.1f} s: {', '.join(seen)}. {start.get('note', '')}".strip()


def _repair(repair: dict[str, Any]) -> str:
    words = f"{repair['what']}: {VERDICTS.get(repair['verdict'], repair['verdict'])}."
    before, after = repair["rate_before_per_h"], repair["rate_after_per_h"]
    if before is not None and after is not None:
        words += f" Bursts per running hour {before:.1f} before, {after:.1f} after."
    if repair["confidence_fixed"] is not None:
        words += f" Confidence that it is fixed {_percent(repair['confidence_fixed'])}."
    return " ".join(part for part in (words, repair.get("sentence", ""), repair.get("needed", "")) if part)


def _next_test(test: dict[str, Any]) -> str:
    steps = " ".join(f"({number}) {step}" for number, step in enumerate(test["steps"], 1))
    caution = f" Caution: {test['caution']}" if test.get("caution") else ""
    return f"{test['title']} (about {test['minutes']} min).{caution} {steps} Passes: {test['passes']}"


def _percent(probability: float) -> str:
    """Nothing that was measured is 100 % sure."""
    return "over 99 %" if probability > 0.99 else f"{100 * probability:.0f} %"


def _label(channel: str) -> str:
    known = CHANNELS.get(channel)
    return known.label if known else channel.replace("_", " ")
