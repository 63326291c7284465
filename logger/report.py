"""The report on an event: its story as plain text with small traces, for a terminal or a mail, and as JSON."""

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from textwrap import wrap
from typing import Any

import numpy as np

from logger.channels import CHANNELS
from logger.event import NS_PER_S, Event, FloatArray, IntArray, Recording, Trace
from logger.story import CAUSES, TITLES, bursts, effect_words, label, length, story

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


MOST_IN_FULL = 6
"""Bursts told with traces; of the others, and of the later stumbles of a burst, one line each."""
MOST_LINES = 4
MOST_TESTS = 3
"""Tests told with their steps: what the minutes between two runs allow. The others are on the card."""


def text_report(event: Event, findings: dict[str, Any]) -> str:
    """The event's story with its stumbles by bursts. `findings`: as Store.findings gives them, or the object of
    `analyse --json`; `event`: the recordings they were made from."""
    recordings = {recording.name: recording for recording in event.recordings}
    told = story(event, findings)
    number, in_full, bursts_told = 0, 0, []
    for burst in bursts(findings["stumbles"]):
        recording = recordings.get(burst[0]["recording"])
        bursts_told.append(_burst(number + 1, burst, recording, event, in_full=in_full < MOST_IN_FULL))
        number, in_full = number + len(burst), in_full + 1
    sections = [
        _heading(event),
        _facts(findings),
        *(_chapter(name, getattr(told, name)) for name in ("happened", "probably", "brings")),
        _listed(TITLES["tests"], _next_tests(findings.get("next_tests", ()))),
        *(_chapter(name, getattr(told, name)) for name in ("repaired", "provoke", "reached", "pulls")),
        _listed("Sensor faults (the engine ran on)", map(_sensor_fault, findings["sensor_faults"])),
        _listed("Failed starts", map(_failed_start, findings.get("failed_starts", ()))),
        _chapter("not_judged", told.not_judged),
        "\n\n".join(["Stumble by stumble", *bursts_told] if bursts_told else []),
    ]
    return "\n\n".join(section for section in sections if section) + "\n"


def json_report(event: Event, findings: dict[str, Any]) -> dict[str, Any]:
    """The story and the findings it was made from, ready for json.dumps."""
    return {
        "event": {
            "name": event.name,
            "kind": event.kind,
            "started_utc": event.started_utc.isoformat() if event.started_utc else None,
            "recordings": [recording.name for recording in event.recordings],
            "circumstances": dict(event.circumstances),
        },
        "titles": TITLES,
        "story": asdict(story(event, findings)),
        "findings": findings,
    }


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
    about = [event.kind, f"{count} recording{'s' if count != 1 else ''}, {length(running_s)}"]
    if event.started_utc is not None:
        about.insert(1, f"{event.started_utc:%Y-%m-%d %H:%M} UTC")
    return f"{event.name}\n{' · '.join(about)}\n{'─' * min(len(event.name), WIDTH)}"


def _facts(findings: dict[str, Any]) -> str:
    stumbles = findings["stumbles"]
    if not stumbles:
        return ""
    lines = [
        f"Stumbles        {len(stumbles)}",
        f"First to fail   {CAUSES.get(findings['main_cause'], findings['main_cause'])}",
    ]
    for key, name in (("linked_heat", "With heat"), ("linked_shock", "With shock")):
        lines.append(f"{name:<16}{_yes_no(findings[key])}")
    return "\n".join(lines)


def _yes_no(linked: bool | None) -> str:
    return {True: "yes, it comes with it", False: "no link seen", None: "cannot be told from this event"}[linked]


def _burst(
    number: int, burst: list[dict[str, Any]], recording: Recording | None, event: Event, *, in_full: bool
) -> str:
    """One burst: its first stumble in full, of the others a line each."""
    first, rest = burst[0], burst[1:]
    told = _stumble(number, first, recording, event) if in_full else _line(number, first)
    lines = [told, *(_line(number + n, stumble) for n, stumble in enumerate(rest[:MOST_LINES], 1))]
    if left := rest[MOST_LINES:]:
        lost = sum(stumble["lost_firings"] for stumble in left)
        lines.append(f"   and {len(left)} more until {left[-1]['end_s']:.1f} s, {lost} firings lost")
    return "\n".join(lines)


def _line(number: int, stumble: dict[str, Any]) -> str:
    return (
        f"{number}. {stumble['recording']} at {stumble['onset_s']:.3f} s: {effect_words(stumble)}, "
        f"{CAUSES.get(stumble['cause'], stumble['cause']).split(' (')[0]}"
    )


def _stumble(number: int, stumble: dict[str, Any], recording: Recording | None, event: Event) -> str:
    lines = [_line(number, stumble)]
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
        f"{label(moved['channel'])} {1000 * (moved['at_s'] - first_s):+.0f} ms "
        f"±{max(1.0, 1000 * moved['plus_minus_s']):.0f}"
        for moved in stumble["order"]
    ]
    yield from wrap("order of failure: " + " → ".join(rungs), WIDTH - 3)


def ends_of(low: float, high: float) -> str:
    """Both to the place that gives the greater four digits."""
    decimals = max(0, 3 - math.floor(math.log10(max(abs(low), abs(high), 1e-3))))
    return " to ".join(f"{round(float(end), decimals) + 0.0:g}" for end in (low, high))


def _traces(stumble: dict[str, Any], recording: Recording, pulses_per_revolution: float) -> Iterator[str]:
    onset_ns = round(stumble["onset_s"] * NS_PER_S)
    from_ns, to_ns = onset_ns - BEFORE_NS, round(stumble["end_s"] * NS_PER_S) + AFTER_NS
    speed = speed_from_pulses(recording.pulses["tach_pulses"], pulses_per_revolution)
    drawn = [("Speed", Trace(*speed), "rpm", LEAST_SPEED_SPAN_RPM)]
    drawn += [
        (label(name), recording.traces[name], CHANNELS[name].unit, span)
        for name, span in TRACED.items()
        if name in recording.traces
    ]
    for name, trace, unit, span in drawn:
        columns = columns_of_extremes(trace.time_ns, trace.value, from_ns, to_ns, TRACE_COLUMNS)
        if np.isfinite(columns).any():
            ends = f"{ends_of(np.nanmin(columns), np.nanmax(columns))} {unit}"
            yield f"{name:<15} {sparkline(columns, span)} {ends}".rstrip()
    mark = (onset_ns - from_ns) * TRACE_COLUMNS // (to_ns - from_ns)
    yield f"{'':<15} {'':>{mark}}▲ onset; {(to_ns - from_ns) / NS_PER_S:.1f} s are shown"


def _chapter(name: str, sentences: list[str]) -> str:
    return _listed(TITLES[name], iter(sentences))


def _listed(title: str, entries: Iterator[str]) -> str:
    lines = [line for entry in entries for line in wrap(entry, WIDTH, initial_indent="- ", subsequent_indent="  ")]
    return "\n".join([title, *lines]) if lines else ""


def _sensor_fault(fault: dict[str, Any]) -> str:
    return (
        f"{label(fault['channel'])}: {fault['kind'].replace('_', ' ')} in {fault['recording']} "
        f"from {fault['from_s']:.1f} to {fault['to_s']:.1f} s. {fault.get('note', '')}".strip()
    )


def _failed_start(start: dict[str, Any]) -> str:
    seen = ["tach pulses seen" if start["pulses_seen"] else "no tach pulses"]
    if start["fuel_pressure_kpa"] is not None:
        seen.append(f"{start['fuel_pressure_kpa']:.0f} kPa")
    if start["battery_voltage_v"] is not None:
        seen.append(f"{start['battery_voltage_v']:.1f} V")
    return f"{start['recording']} at {start['from_s']:.1f} s: {', '.join(seen)}. {start.get('note', '')}".strip()


def _next_tests(tests: Sequence[dict[str, Any]]) -> Iterator[str]:
    """The first tests with their steps, the others by name; of a caution that stands in full above only the danger is
    named again."""
    said: set[str] = set()
    for test in tests[:MOST_TESTS]:
        cautions = re.split(r"(?<=\.) ", test["caution"]) if test.get("caution") else []
        told = [f"{one.split(':')[0]} (see above)." if one in said and ":" in one else one for one in cautions]
        said.update(cautions)
        caution = f" Caution: {' '.join(told)}" if told else ""
        steps = " ".join(f"({number}) {step}" for number, step in enumerate(test["steps"], 1))
        yield f"{test['title']} (about {test['minutes']} min).{caution} {steps} Passes: {test['passes']}"
    if left := tests[MOST_TESTS:]:
        named = "; ".join(f"{test['title']} ({test['minutes']} min)" for test in left)
        yield f"If these pass: {named}. Their steps, limits and cautions are on the test card (report --card)."
