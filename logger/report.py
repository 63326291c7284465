"""The report on an event: its story as plain text with small traces, for a terminal or a mail, and as JSON."""

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import tzinfo
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import numpy as np

from logger.channels import CHANNELS
from logger.event import NS_PER_S, Event, Recording, Trace
from logger.ladder import ladder
from logger.sparkline import columns_of_extremes, ends_of, sparkline, speed_from_pulses
from logger.story import CAUSES, TITLES, Story, bursts, effect_words, label, length, story
from logger.units import Units

if TYPE_CHECKING:
    from logger.store.store import Store

WIDTH = 80
INDENT = "   "
NAME_COLUMNS, ENDS_COLUMNS = 15, 20
"""Left of a trace what it is, right of it its lowest and highest value."""
MOST_TRACE_COLUMNS, LEAST_TRACE_COLUMNS = 56, 20
BEFORE_NS = 1_500_000_000
AFTER_NS = 1_500_000_000
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


@dataclass(frozen=True, slots=True)
class Reader:
    """For whom the text is set. width: columns of the paper or terminal. zone: of times of day, None this machine's."""

    units: Units = field(default_factory=Units)
    zone: tzinfo | None = None
    width: int = WIDTH

    def wrapped(self, text: str, first: str = "", then: str = "") -> list[str]:
        """Lines of a text in SI, in the reader's units; `first` and `then` indent them."""
        said = self.units.said(text)
        return wrap(said, self.width, initial_indent=first, subsequent_indent=then, break_on_hyphens=False)


ANYBODY = Reader()


def stored_report(store: "Store", event_id: str, findings: dict[str, Any], reader: Reader = ANYBODY) -> str:
    """The text report of a stored event, with its findings; of a commissioning test with what that showed."""
    test = store.commissioned().get(event_id)
    return text_report(store.event(event_id), findings, reader, None if test is None else test.result or {})


def text_report(
    event: Event, findings: dict[str, Any], reader: Reader = ANYBODY, test: Mapping[str, Any] | None = None
) -> str:
    """The event's story with its stumbles by bursts. `findings`: as Store.findings gives them, or the object of
    `analyse --json`; `event`: the recordings they were made from. test: how it came out, where the event was the
    commissioning test (empty: not judged yet); its stumbles, made on purpose, tell nothing else."""
    recordings = {recording.name: recording for recording in event.recordings}
    told = story(event, findings, lambda at: f"{at.astimezone(reader.zone):%H:%M}")
    number, in_full, bursts_told = 0, 0, []
    for burst in bursts(findings["stumbles"]):
        recording = recordings.get(burst[0]["recording"])
        bursts_told.append(_burst(number + 1, burst, recording, event, reader, in_full=in_full < MOST_IN_FULL))
        number, in_full = number + len(burst), in_full + 1
    sections = [
        _heading(event, reader),
        _facts(findings, reader) if test is None else "",
        *(_chapter(title, entries, reader) for title, entries in _chapters(told, findings, test).items()),
        "\n\n".join(["Stumble by stumble", *bursts_told] if bursts_told else []),
    ]
    return "\n\n".join(section for section in sections if section) + "\n"


def _chapters(told: Story, findings: dict[str, Any], test: Mapping[str, Any] | None) -> dict[str, Iterable[str]]:
    happened = {TITLES["happened"]: told.happened}
    not_judged = {TITLES["not_judged"]: told.not_judged}
    if test is None:
        verdicts: dict[str, Iterable[str]] = {
            **{TITLES[name]: getattr(told, name) for name in ("probably", "brings")},
            TITLES["tests"]: _next_tests(findings.get("next_tests", ())),
            **{TITLES[name]: getattr(told, name) for name in ("repaired", "provoke", "reached", "pulls")},
        }
    else:
        judged = [test.get("sentence", "It is not judged yet."), *test.get("problems", ())]
        verdicts = {"What the commissioning test showed": judged}
    health = {
        "Sensor faults (the engine ran on)": map(_sensor_fault, findings["sensor_faults"]),
        "Failed starts": map(_failed_start, findings.get("failed_starts", ())),
    }
    if findings["stumbles"]:
        return {**happened, **verdicts, **health, **not_judged}
    return {**happened, **not_judged, **verdicts, **health}  # how far "no stumble" can be trusted comes first


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


def _heading(event: Event, reader: Reader) -> str:
    running_s = sum(recording.duration_ns for recording in event.recordings) / NS_PER_S
    count = len(event.recordings)
    about = [event.kind, f"{count} recording{'s' if count != 1 else ''}, {length(running_s)}"]
    if event.started_utc is not None:
        about.insert(1, f"{event.started_utc.astimezone(reader.zone):%Y-%m-%d %H:%M %Z}")
    named = wrap(event.name, reader.width) or [""]
    return "\n".join([*named, *reader.wrapped(" · ".join(about)), "─" * max(map(len, named))])


def _facts(findings: dict[str, Any], reader: Reader) -> str:
    stumbles = findings["stumbles"]
    if not stumbles:
        return ""
    facts = {
        "Stumbles": str(len(stumbles)),
        "First to fail": CAUSES.get(findings["main_cause"], findings["main_cause"]),
        "With heat": _yes_no(findings["linked_heat"]),
        "With shock": _yes_no(findings["linked_shock"]),
    }
    return "\n".join(line for name, said in facts.items() for line in reader.wrapped(said, f"{name:<16}", " " * 16))


def _yes_no(linked: bool | None) -> str:
    return {True: "yes, it comes with it", False: "no link seen", None: "cannot be told from this event"}[linked]


def _burst(
    number: int,
    burst: list[dict[str, Any]],
    recording: Recording | None,
    event: Event,
    reader: Reader,
    *,
    in_full: bool,
) -> str:
    """One burst: its first stumble in full, of the others a line each."""
    first, rest = burst[0], burst[1:]
    lines = reader.wrapped(_line(number, first), "", INDENT)
    if in_full:
        lines += reader.wrapped(first.get("sentence", ""), INDENT, INDENT)
        lines += reader.wrapped(_order(first), INDENT, INDENT)
        if recording is not None:
            lines += _traces(first, recording, event.engine.pulses_per_revolution, reader)
    for n, stumble in enumerate(rest[:MOST_LINES], 1):
        lines += reader.wrapped(_line(number + n, stumble), "", INDENT)
    if left := rest[MOST_LINES:]:
        lost = sum(stumble["lost_firings"] for stumble in left)
        lines.append(f"{INDENT}and {len(left)} more until {left[-1]['end_s']:.1f} s, {lost} firings lost")
    return "\n".join(lines)


def _line(number: int, stumble: dict[str, Any]) -> str:
    return (
        f"{number}. {stumble['recording']} at {stumble['onset_s']:.3f} s: {effect_words(stumble)}, "
        f"{CAUSES.get(stumble['cause'], stumble['cause']).split(' (')[0]}"
    )


def _order(stumble: dict[str, Any]) -> str:
    rungs = [
        f"{label(rung.channel)} at the same time, as far as the sensors can tell"
        if rung.is_same
        else f"{label(rung.channel)} {1000 * rung.at_s:+.0f} ms ±{max(1.0, 1000 * rung.plus_minus_s):.0f}"
        for rung in ladder(stumble["order"])
    ]
    return "order of failure: " + " → ".join(rungs) if rungs else ""


def _traces(
    stumble: dict[str, Any], recording: Recording, pulses_per_revolution: float, reader: Reader
) -> Iterator[str]:
    """Each as a line, what it is before it and its ends behind; where that leaves too little room, over it."""
    onset_ns = round(stumble["onset_s"] * NS_PER_S)
    from_ns, to_ns = onset_ns - BEFORE_NS, round(stumble["end_s"] * NS_PER_S) + AFTER_NS
    recording = recording.part(from_ns - NS_PER_S, to_ns + NS_PER_S)
    speed = speed_from_pulses(recording.pulses["tach_pulses"], pulses_per_revolution)
    drawn = [("Speed", Trace(*speed), "rpm", LEAST_SPEED_SPAN_RPM)]
    drawn += [
        (label(name), recording.traces[name], CHANNELS[name].unit, span)
        for name, span in TRACED.items()
        if name in recording.traces
    ]
    room = reader.width - len(INDENT)
    beside = room - NAME_COLUMNS - ENDS_COLUMNS - 2
    is_narrow = beside < LEAST_TRACE_COLUMNS
    n_columns = min(room if is_narrow else beside, MOST_TRACE_COLUMNS)
    for name, trace, unit, span in drawn:
        columns = columns_of_extremes(trace.time_ns, trace.value, from_ns, to_ns, n_columns)
        if not np.isfinite(columns).any():
            continue
        ends = reader.units.said(f"{ends_of(np.nanmin(columns), np.nanmax(columns))} {unit}").rstrip()
        shape = sparkline(columns, span)
        if is_narrow:
            yield f"{INDENT}{name}, {ends}"
            yield f"{INDENT}{shape}".rstrip()
        else:
            yield f"{INDENT}{name:<{NAME_COLUMNS}} {shape} {ends}"
    mark = (onset_ns - from_ns) * n_columns // (to_ns - from_ns) + (0 if is_narrow else NAME_COLUMNS + 1)
    said = f"▲ onset; {(to_ns - from_ns) / NS_PER_S:.1f} s are shown"
    if mark + len(said) <= room:
        yield f"{INDENT}{'':>{mark}}{said}"
    else:
        yield from (f"{INDENT}{'':>{mark}}▲", f"{INDENT}▲ onset; {(to_ns - from_ns) / NS_PER_S:.1f} s are shown")


def _chapter(title: str, entries: Iterable[str], reader: Reader) -> str:
    lines = [line for entry in entries for line in reader.wrapped(entry, "- ", "  ")]
    return "\n".join([*reader.wrapped(title), *lines]) if lines else ""


def _sensor_fault(fault: dict[str, Any]) -> str:
    return (
        f"{label(fault['channel'])}: {fault['kind'].replace('_', ' ')} in {fault['recording']} "
        f"from {fault['from_s']:.1f} to {fault['to_s']:.1f} s. {fault.get('note', '')}".strip()
    )


def _failed_start(start: dict[str, Any]) -> str:
    note = start.get("note", "").rstrip(".")
    seen = [note or ("tach pulses seen" if start["pulses_seen"] else "no tach pulses")]
    if start["fuel_pressure_kpa"] is not None:
        seen.append(f"{start['fuel_pressure_kpa']:.0f} kPa")
    if start["battery_voltage_v"] is not None:
        seen.append(f"{start['battery_voltage_v']:.1f} V")
    return f"{start['recording']} at {start['from_s']:.1f} s: {'; '.join(seen)}."


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
